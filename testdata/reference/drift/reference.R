# Reference values for models/drift from base R. Run here: Rscript reference.R
# adjusted.csv: p.adjust(method = "BH").
p <- c(0.0001, 0.012, 0.9, 0.03, 0.03, 0.5, 1, 0, 0.2, 0.041, 0.0007, 0.049)
write.csv(data.frame(p = p, adjusted = format(p.adjust(p, "BH"), digits = 12)), "adjusted.csv", row.names = FALSE, quote = FALSE)
