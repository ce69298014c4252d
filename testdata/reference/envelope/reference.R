# Reference values for models/envelope. Run here: Rscript reference.R
# factors.csv: one-sided normal tolerance factors from R's non-central t.
# oneway.csv, oneway_reml.csv: Dyestuff (Davies and Goldsmith 1972) whole and made unbalanced, REML by lme4.
# oneway_limit.csv: 0.95/0.95 and 0.90/0.99 generalised upper and lower limits by Monte Carlo with seed 1, with the
#   Monte Carlo standard error of each.
suppressMessages(library(lme4))
f <- expand.grid(n = c(2, 3, 5, 10, 30, 59, 200), content = c(0.9, 0.95, 0.99), confidence = c(0.5, 0.9, 0.95, 0.99))
f$k <- with(f, suppressWarnings(qt(confidence, n - 1, qnorm(content) * sqrt(n)) / sqrt(n)))
f <- f[with(f, qnorm(content) * sqrt(n) < 30), ]  # R's qt is accurate for |ncp| < 37.62
write.csv(format(f, digits = 10), "factors.csv", row.names = FALSE, quote = FALSE)

data(Dyestuff)
d <- data.frame(set = "balanced", car = as.character(Dyestuff$Batch), y = Dyestuff$Yield)
u <- d[-c(1, 2, 3, 4, 6, 7, 11, 26, 27, 28), ]; u$set <- "unbalanced"
all <- rbind(d, u)
write.csv(all, "oneway.csv", row.names = FALSE, quote = FALSE)
reml <- limits <- NULL
set.seed(1)
for (s in unique(all$set)) {
  x <- all[all$set == s, ]
  m <- lmer(y ~ 1 + (1 | car), x, control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9)))
  reml <- rbind(reml, data.frame(set = s, mean = fixef(m)[[1]], between = VarCorr(m)$car[1, 1], within = sigma(m)^2))
  n <- tapply(x$y, x$car, length); y <- tapply(x$y, x$car, mean)
  ssw <- sum((x$y - y[x$car])^2); k <- length(n); draws <- 200000
  ue <- rchisq(draws, sum(n) - k); ub <- rchisq(draws, k - 1); zz <- rnorm(draws)
  hi <- lo <- numeric(draws)
  for (i in seq_len(draws)) {
    se <- ssw / ue[i]
    g <- function(b) { w <- 1 / (b + se / n); m <- sum(w * y) / sum(w); sum(w * (y - m)^2) - ub[i] }
    # outside the positive root, the tangent of 1/f at zero, no lower than -se/max(n)
    if (g(0) <= 0) {
      w <- n / se; m <- sum(w * y) / sum(w); f0 <- sum(w * (y - m)^2); f1 <- sum(w^2 * (y - m)^2)
      b <- max((f0 / ub[i] - 1) * f0 / f1, -se / max(n)); bm <- 0
    } else bm <- b <- uniroot(g, c(0, 1e9), tol = 1e-6)$root
    w <- 1 / (bm + se / n); m <- sum(w * y) / sum(w)
    hi[i] <- m + zz[i] / sqrt(sum(w)); lo[i] <- sqrt(b + se)
  }
  for (p in list(c(0.95, 0.95), c(0.90, 0.99))) {
    for (side in c("upper", "lower")) {
      sg <- if (side == "upper") 1 else -1
      t <- sg * hi + qnorm(p[1]) * lo
      q <- quantile(t, p[2]); se <- sqrt(p[2] * (1 - p[2]) / draws) / density(t, from = q, to = q, n = 1)$y
      limits <- rbind(limits, data.frame(set = s, side, content = p[1], confidence = p[2], value = sg * q, se))
    }
  }
}
write.csv(format(reml, digits = 10), "oneway_reml.csv", row.names = FALSE, quote = FALSE)
write.csv(format(limits, digits = 8), "oneway_limit.csv", row.names = FALSE, quote = FALSE)
