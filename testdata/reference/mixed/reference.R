# Reference fits by R lme4 (REML). Run here: Rscript reference.R
# Writes <set>.csv (the rows; car, pull, y, covariates; with three levels car, day, pull, y, covariates) and
# reference.csv (set, what, name, value).
# sleepstudy2 nests artificial pulls in subjects: days 0-4 are pull a, days 5-9 pull b.
# oxide (nlme) is sites in wafers in lots in two sources, balanced; oxide2 is the same with 21 of 72 rows left out.
# fleet1 and fleet2 are drawn here, unbalanced, as are fleet2's many single pulls and rows; fleet1_prior and
# fleet2_prior are the same rows with a Gaussian prior on the slope. lme4 has no such prior: there the likelihood is
# written out with dense matrices in base R, and checked against lme4 without the prior.
suppressMessages(library(lme4))
ctl <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.2, rhoend = 1e-9, maxfun = 1e6),
                   check.conv.singular = "ignore")
out <- NULL
add <- function(set, what, name, value) out <<- rbind(out, data.frame(set, what, name, value))
report <- function(set, fit, car) {
  for (n in names(fixef(fit))) {
    add(set, "coef", n, fixef(fit)[[n]])
    add(set, "se", n, sqrt(vcov(fit)[n, n]))
  }
  for (g in names(VarCorr(fit))) add(set, "variance", g, VarCorr(fit)[[g]][1, 1])
  add(set, "variance", "residual", sigma(fit)^2)
  add(set, "loglik", "reml", as.numeric(logLik(fit)))
  r <- ranef(fit, condVar = TRUE)[[car]]
  for (i in rownames(r)) add(set, "effect", i, r[i, 1])
}
write <- function(set, d) write.csv(format(d, digits = 15), paste0(set, ".csv"), row.names = FALSE, quote = FALSE)

data(Dyestuff); report("dyestuff", lmer(Yield ~ 1 + (1 | Batch), Dyestuff, control = ctl), "Batch")
write("dyestuff", data.frame(car = Dyestuff$Batch, pull = "all", y = Dyestuff$Yield))
data(Dyestuff2); report("dyestuff2", lmer(Yield ~ 1 + (1 | Batch), Dyestuff2, control = ctl), "Batch")
write("dyestuff2", data.frame(car = Dyestuff2$Batch, pull = "all", y = Dyestuff2$Yield))
data(Pastes); report("pastes", lmer(strength ~ 1 + (1 | batch / cask), Pastes, control = ctl), "batch")
write("pastes", data.frame(car = Pastes$batch, pull = Pastes$cask, y = Pastes$strength))
data(sleepstudy); report("sleepstudy", lmer(Reaction ~ Days + (1 | Subject), sleepstudy, control = ctl), "Subject")
write("sleepstudy", data.frame(car = sleepstudy$Subject, pull = "all", y = sleepstudy$Reaction, days = sleepstudy$Days))
s2 <- subset(sleepstudy, !(Subject %in% c("308", "309") & Days > 6))  # unbalanced
s2$half <- ifelse(s2$Days < 5, "a", "b")
report("sleepstudy2", lmer(Reaction ~ Days + (1 | Subject / half), s2, control = ctl), "Subject")
write("sleepstudy2", data.frame(car = s2$Subject, pull = s2$half, y = s2$Reaction, days = s2$Days))

levels3 <- c("car", "day:car", "pull:(day:car)")
with_days <- function(set, d) {
  fit <- lmer(if (is.null(d$x)) y ~ 1 + (1 | car / day / pull) else y ~ x + (1 | car / day / pull), d, control = ctl)
  report(set, fit, "car")
  write(set, d)
  fit
}
data(Oxide, package = "nlme")
ox <- data.frame(car = Oxide$Source, day = Oxide$Lot, pull = Oxide$Wafer, y = Oxide$Thickness)
invisible(with_days("oxide", ox))
ox2 <- ox[-c(2, 3, 5, 6, 8, 9, 11, 14, 15, 20, 26, 27, 33, 35, 36, 44, 45, 50, 62, 63, 71), ]
invisible(with_days("oxide2", ox2))

draw <- function(seed, cars, days, pulls, rows, sd, round_to) {
  set.seed(seed)
  out <- NULL
  for (c in seq_len(cars)) {
    u <- rnorm(1, 0, sd[1])
    for (d in seq_len(sample(days, 1))) {
      v <- rnorm(1, 0, sd[2])
      for (p in seq_len(sample(pulls, 1))) {
        w <- rnorm(1, 0, sd[3])
        for (r in seq_len(sample(rows, 1))) {
          x <- round(rnorm(1) + 0.3 * d, 2)
          out <- rbind(out, data.frame(car = sprintf("car%02d", c), day = letters[d], pull = p,
            y = round(40 + 1.5 * x + u + v + w + rnorm(1, 0, sd[4]), round_to), x = x))
        }
      }
    }
  }
  out
}
# The dense likelihood: y ~ N(Xb, V), b flat but the slope's prior N(m, s^2), b integrated out.
dense <- function(d, m, s, start) {
  unit <- function(f) { f <- factor(f); outer(f, f, "==") * 1 }
  n <- nrow(d)
  U <- unit(d$car); D <- unit(paste(d$car, d$day)); P <- unit(paste(d$car, d$day, d$pull))
  X <- cbind(1, d$x)
  prior <- is.finite(s)
  parts <- function(t) {
    v <- t^2
    V <- v[1] * U + v[2] * D + v[3] * P + v[4] * diag(n)
    Vi <- chol2inv(chol(V))
    A <- t(X) %*% Vi %*% X; b <- t(X) %*% Vi %*% d$y; q <- sum(d$y * (Vi %*% d$y))
    if (prior) { A[2, 2] <- A[2, 2] + 1 / s^2; b[2] <- b[2] + m / s^2; q <- q + m^2 / s^2 }
    beta <- solve(A, b)
    list(v = v, Vi = Vi, beta = beta, cov = solve(A),
         dev = as.numeric(determinant(V)$modulus) + as.numeric(determinant(A)$modulus) + q - sum(b * beta) +
           (n - 2 + prior) * log(2 * pi) + if (prior) 2 * log(s) else 0)
  }
  best <- list(par = sqrt(start))
  for (i in 1:6) best <- optim(best$par, function(t) parts(t)$dev, method = "BFGS",
                               control = list(reltol = 1e-15, maxit = 1000, ndeps = rep(1e-4, 4)))
  r <- parts(best$par)
  cars <- unique(d$car)
  e <- d$y - X %*% r$beta
  r$u <- sapply(cars, function(k) r$v[1] * sum((d$car == k) * (r$Vi %*% e)))
  names(r$u) <- cars
  r
}
for (set in list(list("fleet1", draw(41, 10, 1:5, 1:4, 1:4, c(3, 2.5, 1, 1.5), 3), 0.9, 0.15),
                 list("fleet2", draw(42, 30, 1:4, 1:3, 1:3, c(2, 2, 1.2, 0.6), 3), 2.5, 0.2))) {
  d <- set[[2]]
  fit <- with_days(set[[1]], d)
  start <- c(unlist(lapply(VarCorr(fit)[levels3], function(v) v[1, 1])), sigma(fit)^2)
  flat <- dense(d, 0, Inf, start)
  stopifnot(abs(flat$dev / -2 - logLik(fit)) < 1e-6, abs(flat$beta - fixef(fit)) < 1e-4)
  r <- dense(d, set[[3]], set[[4]], start)
  name <- paste0(set[[1]], "_prior")
  add(name, "prior", "mean", set[[3]]); add(name, "prior", "sd", set[[4]])
  for (i in 1:2) {
    add(name, "coef", c("(Intercept)", "x")[i], r$beta[i]); add(name, "se", c("(Intercept)", "x")[i], sqrt(r$cov[i, i]))
  }
  for (i in 1:4) add(name, "variance", c(levels3, "residual")[i], r$v[i])
  add(name, "loglik", "reml", r$dev / -2)
  for (k in names(r$u)) add(name, "effect", k, r$u[[k]])
}
write.csv(format(out, digits = 12), "reference.csv", row.names = FALSE, quote = FALSE)
