# Reference values for models/lifetime from base R and the survival package. Run here: Rscript reference.R
# bounds.csv: binom.test (Clopper-Pearson) and poisson.test (Garwood), one- and two-sided.
# ratio.csv: poisson.test for two groups.
# <set>.csv: entry, exit, failed, group. km.csv: survfit with log-log bands by set.
suppressMessages(library(survival))
b <- NULL
for (n in c(1, 10, 43, 59, 500)) for (x in unique(c(0, 1, 3, n))) if (x <= n) for (conf in c(0.9, 0.95)) {
  two <- binom.test(x, n, conf.level = conf)$conf.int
  up <- binom.test(x, n, alternative = "less", conf.level = conf)$conf.int[2]
  lo <- binom.test(x, n, alternative = "greater", conf.level = conf)$conf.int[1]
  b <- rbind(b, data.frame(kind = "binomial", x, n, conf, low = two[1], high = two[2], lower = lo, upper = up))
  two <- poisson.test(x, n, conf.level = conf)$conf.int
  up <- poisson.test(x, n, alternative = "less", conf.level = conf)$conf.int[2]
  lo <- poisson.test(x, n, alternative = "greater", conf.level = conf)$conf.int[1]
  b <- rbind(b, data.frame(kind = "poisson", x, n, conf, low = two[1], high = two[2], lower = lo, upper = up))
}
write.csv(format(b, digits = 10), "bounds.csv", row.names = FALSE, quote = FALSE)
r <- NULL
for (v in list(c(11, 6, 800, 1011), c(0, 4, 100, 150), c(5, 0, 300, 100), c(30, 12, 2500, 2400), c(1, 1, 10, 10))) {
  p <- poisson.test(v[1:2], v[3:4])
  r <- rbind(r, data.frame(x1 = v[1], x2 = v[2], t1 = v[3], t2 = v[4], p = p$p.value, low = p$conf.int[1], high = p$conf.int[2]))
}
write.csv(format(r, digits = 10), "ratio.csv", row.names = FALSE, quote = FALSE)
sets <- list(
  aml = with(aml, data.frame(entry = 0, exit = time, failed = status, group = as.integer(x))),
  veteran = with(veteran, data.frame(entry = 0, exit = time, failed = status, group = as.integer(celltype))),
  late = with(subset(lung, time > 60), data.frame(entry = (age %% 3) * 30, exit = time, failed = status - 1, group = sex)))
km <- NULL
for (s in names(sets)) {
  d <- sets[[s]]; write.csv(d, paste0(s, ".csv"), row.names = FALSE, quote = FALSE)
  f <- survfit(Surv(entry, exit, failed) ~ 1, d, conf.type = "log-log")
  km <- rbind(km, data.frame(set = s, time = f$time, atrisk = f$n.risk, failures = f$n.event, surv = f$surv,
                             se = f$surv * f$std.err, low = f$lower, high = f$upper)[f$n.event > 0 | f$n.censor > 0, ])
}
write.csv(format(km, digits = 10), "km.csv", row.names = FALSE, quote = FALSE)
