# One task of lme4 on one cohort, timed inside R; prints one line of JSON. run.py calls it:
# Rscript lme4.R TASK CSV COUNT
arguments <- commandArgs(trailingOnly = TRUE)
task <- arguments[1]
count <- as.integer(arguments[3])
suppressPackageStartupMessages(library(lme4))
d <- read.csv(arguments[2], stringsAsFactors = TRUE)
d$tooth_class <- factor(d$tooth_class, levels = c("incisor", "canine", "premolar", "molar"))
d$site <- interaction(d$patient, d$tooth, drop = TRUE)
formula <- achieved ~ 0 + planned:tooth_class + (0 + planned | patient) + (0 + planned | site)
fit <- function(data = d) suppressMessages(lmer(formula, data, REML = TRUE))
now <- function() as.numeric(proc.time()[["elapsed"]])
timed <- function(call, least) {
  seconds <- c()
  while (length(seconds) < least || (sum(seconds) < 10 && length(seconds) < 11)) {
    start <- now()
    call()
    seconds <- c(seconds, now() - start)
    if (sum(seconds) > 30) break
  }
  seconds
}
status <- function(key) {
  line <- grep(paste0("^", key), readLines("/proc/self/status"), value = TRUE)
  1024 * as.numeric(gsub("[^0-9]", "", line))
}
say <- function(...) cat("RESULT {", paste(..., sep = ", "), "}\n", sep = "")
number <- function(name, value) sprintf('"%s": %.17g', name, value)
numbers <- function(name, values) {
  sprintf('"%s": [%s]', name, paste(sprintf("%.17g", values), collapse = ", "))
}
bytes <- number("frame_bytes", as.numeric(object.size(d)))
if (task == "memory") {
  invisible(gc())
  cat("5", file = "/proc/self/clear_refs")
  before <- status("VmRSS")
  m <- fit()
  say(bytes, number("peak_bytes", status("VmHWM") - before))
} else {
  m <- fit()
  if (task == "fit") {
    s <- timed(fit, 3)
    say(bytes, number("seconds", median(s)), number("repeats", length(s)),
      number("log_likelihood", as.numeric(logLik(m))), numbers("rates", fixef(m)),
      numbers("se", sqrt(diag(as.matrix(vcov(m))))))
  } else if (task == "bootstrap") {
    set.seed(1)
    s <- timed(function() suppressMessages(bootMer(m, fixef, nsim = count)), 1)
    say(bytes, number("seconds", median(s)), number("repeats", length(s)), number("count", count))
  } else {
    left <- levels(d$patient)[seq_len(count)]
    s <- timed(function() for (p in left) fit(droplevels(d[d$patient != p, ])), 1)
    say(bytes, number("seconds", median(s)), number("repeats", length(s)), number("count", count))
  }
}
