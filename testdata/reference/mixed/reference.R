# Reference fits by R lme4 (REML). Run here: Rscript reference.R
# Writes <set>.csv (the rows; car, pull, y, covariates) and reference.csv (set, what, name, value).
# sleepstudy2 nests artificial pulls in subjects: days 0-4 are pull a, days 5-9 pull b.
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
write.csv(format(out, digits = 12), "reference.csv", row.names = FALSE, quote = FALSE)
