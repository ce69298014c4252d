# Reference fits of censored normal regressions with R's survival package (survreg), for models/knock.
# Run: Rscript survreg.R > survreg.csv     (the two data files beside it are written too)
suppressMessages(library(survival))
options(digits = 12)

row <- function(data, quantity, value) cat(sprintf("%s,%s,%.9f\n", data, quantity, value))
cat("data,quantity,value\n")
report <- function(name, fit) {
  for (k in seq_along(coef(fit))) row(name, paste0("coef", k - 1), coef(fit)[k])
  row(name, "log_scale", log(fit$scale))
  row(name, "log_likelihood", fit$loglik[2])
  se <- sqrt(diag(fit$var))
  for (k in seq_along(se)) row(name, paste0("se", k - 1), se[k])   # the last is of log scale
}

# 1. Tobin's durable goods: left-censored at zero, else exact.
report("tobin", survreg(Surv(durable, durable > 0, type = "left") ~ age + quant, data = tobin, dist = "gaussian"))
write.csv(tobin, "tobin.csv", row.names = FALSE)

# 2. An invented set of sparks: interval-censored on a 1.5-degree step, right-censored above the spark delivered,
#    left-censored below the lowest spark tried.
set.seed(20)
n <- 240
charge <- round(runif(n, -0.4, 0.3), 3)
heat <- round(rnorm(n, 0, 12), 1)
limit <- 12 - 22 * charge - 0.14 * heat + rnorm(n, 0, 1.4)
spark <- round(11 - 20 * charge + rnorm(n, 0, 2), 1)
lower <- spark; upper <- rep(Inf, n)
event <- limit < spark
steps <- ceiling((spark - limit) / 1.5)
lower[event] <- (spark - 1.5 * steps)[event]
upper[event] <- (spark - 1.5 * (steps - 1))[event]
deep <- event & steps >= 4
lower[deep] <- -Inf
d <- data.frame(lower, upper, charge, heat)
write.csv(d, "sparks.csv", row.names = FALSE)
lo <- ifelse(is.finite(lower), lower, NA); up <- ifelse(is.finite(upper), upper, NA)
report("sparks", survreg(Surv(lo, up, type = "interval2") ~ charge + heat, dist = "gaussian"))

# 3. Every third row of the same.
few <- seq_len(n) %% 3 == 0
report("few", survreg(Surv(lo[few], up[few], type = "interval2") ~ charge[few] + heat[few], dist = "gaussian"))
