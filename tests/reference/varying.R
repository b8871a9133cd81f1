# Rates that vary within patients, and cluster-robust covariances, by lme4, lmerTest and clubSandwich.
# Run in this folder: Rscript varying.R; writes varying.json.
suppressMessages({library(lmerTest); library(clubSandwich); library(jsonlite)})

d <- read.csv("varying_cohort.csv")
d$tooth_class <- factor(d$tooth_class, levels = c("incisor", "canine", "premolar", "molar"))
d$site <- interaction(d$patient, d$tooth, drop = TRUE)
for (by in c("course", "direction", "tooth_class"))
  d[[paste0("p_", by)]] <- interaction(d$patient, d[[by]], drop = TRUE)

control <- lmerControl(optimizer = "bobyqa", optCtrl = list(maxfun = 1e6, rhoend = 1e-9))
fixed <- "achieved ~ 0 + planned:tooth_class + (0 + planned | patient) + (0 + planned | site)"
described <- function(random) {
  m <- lmer(as.formula(paste(fixed, random)), d, control = control)
  v <- as.data.frame(VarCorr(m))
  s <- coef(summary(m, ddf = "Satterthwaite"))
  k <- c(1, 0, 0, -1)
  contrast <- contest1D(m, k)
  list(loglik = as.numeric(logLik(m)), variance = setNames(as.list(v$vcov), v$grp),
       estimate = unname(s[, 1]), se = unname(s[, 2]), df = unname(s[, 3]),
       contrast = list(estimate = contrast$Estimate, se = contrast[["Std. Error"]],
                       df = contrast$df),
       patient = data.frame(patient = rownames(ranef(m)$patient), effect = ranef(m)$patient[, 1]))
}
by <- function(x) paste0("+ (0 + planned | p_", x, ")", collapse = " ")
out <- list(
  course = described(by("course")),
  direction = described(by("direction")),
  tooth_class = described(by("tooth_class")),
  all = described(by(c("course", "direction", "tooth_class"))))

# Independent rows: here every form of CR2 is the same.
ols <- lm(achieved ~ 0 + planned:tooth_class, d)
v <- vcovCR(ols, cluster = d$patient, type = "CR2")
tests <- coef_test(ols, vcov = v, test = "Satterthwaite")
contrast <- linear_contrast(ols, vcov = v, contrasts = matrix(c(1, 0, 0, -1), 1), test = "Satterthwaite")
out$cr2_independent <- list(se = tests$SE, df = tests$df, contrast_se = contrast$SE,
                            contrast_df = contrast$df)
# With the working covariance of a mixed model clubSandwich takes another root of the same equation.
m <- lme4::lmer(as.formula(fixed), d, control = control)
v <- vcovCR(m, cluster = d$patient, type = "CR2")
tests <- coef_test(m, vcov = v, test = "Satterthwaite")
out$cr2_mixed <- list(se = tests$SE, df = tests$df)
out$versions <- lapply(c(lme4 = "lme4", lmerTest = "lmerTest", clubSandwich = "clubSandwich"),
                       function(p) as.character(packageVersion(p)))
write_json(out, "varying.json", digits = NA, auto_unbox = TRUE, pretty = TRUE)
