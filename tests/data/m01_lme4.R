# Expected values of the cases m01: general-purpose mixed models fitted by lme4, with the tests of
# lmerTest and pbkrtest. Run in this folder: Rscript m01_lme4.R > m01_lme4.json
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest)})
options(digits = 15)
num <- function(x) paste0("[", paste(ifelse(is.na(x), "null", formatC(x, digits = 14, format = "g")), collapse = ", "), "]")
str <- function(x) paste0("[", paste0('"', x, '"', collapse = ", "), "]")
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.2, rhoend = 1e-10, maxfun = 1e5),
                     check.conv.singular = "ignore", calc.derivs = FALSE)
part <- list()
put <- function(name, m, modes = TRUE) {
  v <- as.data.frame(VarCorr(m))
  text <- c(
    paste0('"criterion": ', formatC(-2 * as.numeric(logLik(m)), digits = 14, format = "g")),
    paste0('"group": ', str(v$grp)), paste0('"a": ', str(ifelse(is.na(v$var1), "", v$var1))),
    paste0('"b": ', str(ifelse(is.na(v$var2), "", v$var2))),
    paste0('"vcov": ', num(v$vcov)), paste0('"beta": ', num(fixef(m))),
    paste0('"se": ', num(sqrt(diag(as.matrix(vcov(m)))))))
  if (modes) {
    r <- ranef(m, condVar = TRUE)
    for (g in names(r)) {
      pv <- attr(r[[g]], "postVar")
      if (is.list(pv)) next
      text <- c(text, paste0('"levels ', g, '": ', str(rownames(r[[g]]))),
                paste0('"modes ', g, '": ', num(unlist(r[[g]]))),
                paste0('"conditional variances ', g, '": ', num(unlist(lapply(seq_len(dim(pv)[1]), function(i) pv[i, i, ])))))
    }
  }
  part[[name]] <<- paste0('  "', name, '": {\n   ', paste(text, collapse = ",\n   "), "\n  }")
}
data(Pastes, package = "lme4"); data(Penicillin, package = "lme4")
write.csv(Pastes[, c("strength", "batch", "cask")], "m01_pastes.csv", row.names = FALSE, quote = FALSE)
write.csv(Penicillin, "m01_penicillin.csv", row.names = FALSE, quote = FALSE)
# Casks within batches; batches alone have nearly no variance of their own.
put("pastes", lmer(strength ~ 1 + (1 | batch) + (1 | batch:cask), Pastes, control = tight))
put("penicillin", lmer(diameter ~ 1 + (1 | plate) + (1 | sample), Penicillin, control = tight))
put("penicillin_ml", lmer(diameter ~ 1 + (1 | plate) + (1 | sample), Penicillin, control = tight, REML = FALSE))
sleep <- read.csv("g13_sleepstudy.csv")
sleep$Subject <- factor(sleep$Subject)
full <- lmer(Reaction ~ Days + (Days | Subject), sleep, control = tight)
put("sleep_correlated", full)
# Rows lost, so that nothing is balanced: every row whose number leaves 2 when divided by 5, and the
# last subject's second half.
lost <- sleep[!(seq_len(nrow(sleep)) %% 5 == 2 | seq_len(nrow(sleep)) > 175), ]
unbalanced <- lmer(Reaction ~ Days + (Days | Subject), lost, control = tight)
put("sleep_unbalanced", unbalanced)
# Five subjects with a correlation of one, and five with one of minus one, where a search from
# lme4's own start ends higher, at intercepts that do not vary: hence the other start.
some <- function(at, ...) lmer(Reaction ~ Days + (Days | Subject), sleep[sleep$Subject %in% levels(sleep$Subject)[at], ], control = tight, ...)
put("sleep_one", some(c(3, 6, 7, 10, 18)), modes = FALSE)
put("sleep_minus_one", some(c(6, 7, 9, 12, 15), start = c(0.3, -0.3, 0.3)), modes = FALSE)
# A block of three.
sleep$Bend <- pmax(sleep$Days - 4, 0)
three <- lmer(Reaction ~ Days + Bend + (Days + Bend | Subject), sleep, control = tight)
put("sleep_three", three, modes = FALSE)
# Kenward and Roger's method.
kr <- function(name, m) {
  adjusted <- vcovAdj(m)
  n <- length(fixef(m))
  df <- se <- numeric(n)
  for (j in seq_len(n)) {
    l <- rep(0, n); l[j] <- 1
    df[j] <- Lb_ddf(l, vcov(m), adjusted)
    se[j] <- sqrt(adjusted[j, j])
  }
  text <- c(paste0('"df": ', num(df)), paste0('"se": ', num(se)))
  if (n > 2) {
    L <- cbind(0, diag(n - 1))
    k <- KRmodcomp(m, L)
    text <- c(text, paste0('"F": ', num(k$stats$Fstat)), paste0('"scaling": ', num(k$stats$F.scaling)),
              paste0('"ddf": ', num(k$stats$ddf)), paste0('"p": ', num(k$stats$p.value)))
  }
  part[[name]] <<- paste0('  "', name, '": {\n   ', paste(text, collapse = ",\n   "), "\n  }")
}
kr("kr_sleep_correlated", full)
kr("kr_sleep_unbalanced", unbalanced)
kr("kr_sleep_three", three)
tv <- read.csv("g05_tvbo_unbalanced.csv")
tv$Assessor <- factor(tv$Assessor); tv$Product <- factor(tv$Product)
for (a in c("Sharpness", "Coloursaturation", "Noise", "Flickeringstationary")) {
  tv$y <- tv[[a]]
  m <- lmer(y ~ Product + (1 | Assessor) + (1 | Assessor:Product), tv, control = tight)
  kr(paste0("kr_tv_", a), m)
}
# Normality of residuals: three columns of open data, a large skewed one, and one with ties.
sw <- function(name, x) {
  w <- shapiro.test(x)
  part[[name]] <<- paste0('  "', name, '": {"x": ', num(x), ', "w": ', num(w$statistic), ', "p": ', num(w$p.value), "}")
}
sw("shapiro_reaction", sleep$Reaction)
sw("shapiro_strength", Pastes$strength)
sw("shapiro_3", c(1, 2, 4.5))
sw("shapiro_4", c(1, 2, 4.5, 4.6))
sw("shapiro_11", c(148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236))
sw("shapiro_12", sleep$Reaction[1:12])
sw("shapiro_ties", round(tv$Noise[1:100]))
sw("shapiro_skew", qexp(ppoints(400)))
cat("{\n \"id\": \"m01_lme4\",\n \"source\": \"Pastes and Penicillin: Davies OL, Goldsmith PL (1972) Statistical Methods in Research and Production, 4th ed., Oliver and Boyd, data sets of lme4; sleepstudy as g13; television panel as g05\",\n \"how\": \"m01_lme4.R: ",
    R.version.string, ", lme4 ", as.character(packageVersion("lme4")), ", lmerTest ", as.character(packageVersion("lmerTest")),
    ", pbkrtest ", as.character(packageVersion("pbkrtest")), "\",\n \"expected\": {\n", paste(unlist(part), collapse = ",\n"), "\n }\n}\n", sep = "")
