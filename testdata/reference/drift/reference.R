# Reference values for models/drift from base R. Run here: Rscript reference.R
# adjusted.csv: p.adjust(method = "BH").
# scores.csv: a made series standardised run by run with R's pt and qnorm, without and with a fleet's spread
#   (sd 1.3, 12 degrees of freedom), baseline of 4.
p <- c(0.0001, 0.012, 0.9, 0.03, 0.03, 0.5, 1, 0, 0.2, 0.041, 0.0007, 0.049)
write.csv(data.frame(p = p, adjusted = format(p.adjust(p, "BH"), digits = 12)), "adjusted.csv", row.names = FALSE, quote = FALSE)
x <- c(3.1, 2.4, 4.0, 2.9, 3.3, 5.1, 1.2, 2.8, 9.5, 3.0)
score <- function(x, k, sd0, df0) sapply((k + 1):length(x), function(r) {
  past <- x[1:(r - 1)]
  df <- df0 + r - 2
  s <- sqrt((df0 * sd0^2 + sum((past - mean(past))^2)) / df)
  t <- sqrt((r - 1) / r) * (x[r] - mean(past)) / s
  -sign(t) * qnorm(pt(-abs(t), df))
})
write.csv(data.frame(x = x[5:10], own = format(score(x, 4, 0, 0), digits = 12), fleet = format(score(x, 4, 1.3, 12), digits = 12)),
          "scores.csv", row.names = FALSE, quote = FALSE)
