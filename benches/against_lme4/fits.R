# Whole fits by lme4 of the tables that the bench beside this file wrote: Rscript fits.R FOLDER
suppressMessages(library(lme4))
args <- commandArgs(trailingOnly = TRUE)
setwd(args[1])
list <- read.csv("tables.csv")
cat("table,seconds,deviance,fits\n")
for (i in seq_len(nrow(list))) {
  d <- read.csv(paste0(list$table[i], ".csv"))
  for (f in setdiff(names(d), "y")) d[[f]] <- factor(d[[f]])
  formula <- as.formula(list$formula[i])
  one <- function() suppressMessages(lmer(formula, d))
  times <- c()
  repeat {
    start <- proc.time()[["elapsed"]]
    m <- one()
    times <- c(times, proc.time()[["elapsed"]] - start)
    # A clock of milliseconds: many short fits, at least two long ones.
    if (sum(times) > 3 && length(times) >= 2 || length(times) >= 60) break
  }
  cat(list$table[i], ",", median(times), ",", formatC(-2 * as.numeric(logLik(m)), digits = 12, format = "g"), ",", length(times), "\n", sep = "")
}
cat("versions,", R.version.string, "; lme4 ", as.character(packageVersion("lme4")), "; ", basename(extSoftVersion()[["BLAS"]]), "\n", sep = "")
