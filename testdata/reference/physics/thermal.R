# Reference for models/thermal: first-order fit by R's nls.
# Run: Rscript thermal.R > thermal.csv
# The series is fixed arithmetic, no random numbers: a response of 12 s with a deterministic ripple.
t <- seq(0, 30, by = 0.5)
y <- 55 - 20 * exp(-t / 12) + 0.4 * sin(7 * t) + 0.3 * cos(13 * t)
fit <- nls(y ~ final + (start - final) * exp(-t / tau), start = list(start = 30, final = 60, tau = 8),
           control = nls.control(tol = 1e-7, minFactor = 1e-12, maxiter = 500))
co <- coef(fit)
cat("quantity,value\n")
cat(sprintf("start,%.8f\nfinal,%.8f\ntau,%.8f\nsigma,%.8f\n",
            co["start"], co["final"], co["tau"], summary(fit)$sigma))
