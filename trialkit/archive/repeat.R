# ---- from here on the script is the same for every model ---------------------------------

needed <- c("lme4", "lmerTest", "pbkrtest", "emmeans")
missing <- needed[!vapply(needed, requireNamespace, logical(1), quietly = TRUE)]
if (length(missing) > 0) {
  stop("install these packages first: install.packages(c(",
       paste0("\"", missing, "\"", collapse = ", "), "))")
}
suppressPackageStartupMessages({
  library(lme4); library(lmerTest); library(pbkrtest); library(emmeans)
})
options(contrasts = c("contr.sum", "contr.poly"), width = 120, digits = 6)  # marginal tests

called <- grep("^--file=", commandArgs(trailingOnly = FALSE), value = TRUE)
here <- if (length(called)) dirname(gsub("~+~", " ", sub("^--file=", "", called[1]), fixed = TRUE)) else "."
read_table <- function(name) {
  read.csv(file.path(here, name), na.strings = "", encoding = "UTF-8", colClasses = "character",
           check.names = FALSE)
}

# ---- the rows that were analysed ---------------------------------------------------------
rows <- read_table("rows.csv")
for (name in setdiff(names(rows), c(names(factors), groups))) rows[[name]] <- as.numeric(rows[[name]])
for (name in names(factors)) rows[[name]] <- factor(rows[[name]], levels = factors[[name]])
for (name in groups) rows[[name]] <- factor(rows[[name]])

# ---- the same model: restricted likelihood, random intercepts, variances at or above zero ----
right <- paste(c(if (length(fixed)) fixed else "1", random), collapse = " + ")
model_formula <- as.formula(paste(response, "~", right))
control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e6),
                       calc.derivs = FALSE, check.conv.singular = "ignore")
if (length(random)) {
  model <- lmer(model_formula, rows, REML = TRUE, control = control)
} else {
  model <- lm(model_formula, rows)
}
cat("\nModel: ", deparse1(model_formula), "\nRows: ", nrow(rows), "\n", sep = "")

found <- data.frame(kind = character(), of = character(), quantity = character(), R = numeric())
note <- function(kind, of, quantity, value) {
  found <<- rbind(found, data.frame(kind = kind, of = of, quantity = quantity,
                                    R = as.numeric(value)))
}
alike <- function(term) paste(sort(strsplit(term, ":", fixed = TRUE)[[1]]), collapse = ":")

# ---- variances ---------------------------------------------------------------------------
cat("\nVariances\n")
if (length(random)) {
  spread <- as.data.frame(VarCorr(model))
  plain <- is.na(spread$var2) & spread$var1 %in% c("(Intercept)", NA)
  for (i in which(plain)) note("variance", alike(spread$grp[i]), "variance", spread$vcov[i])
  print(spread[plain, c("grp", "vcov")], row.names = FALSE)
} else {
  note("variance", "Residual", "variance", summary(model)$sigma^2)
  cat("Residual ", summary(model)$sigma^2, "\n")
}

# ---- tests of the fixed terms: F and df after Kenward and Roger ---------------------------
if (length(fixed)) {
  cat("\nTests\n")
  if (length(random)) {
    tests <- as.data.frame(anova(model, type = 3, ddf = "Kenward-Roger"))
    tests <- data.frame(term = rownames(tests), num_df = tests$NumDF, den_df = tests$DenDF,
                        F = tests[["F value"]], p = tests[["Pr(>F)"]])
  } else {
    tests <- drop1(model, scope = . ~ ., test = "F")[-1, ]
    tests <- data.frame(term = rownames(tests), num_df = tests$Df, den_df = df.residual(model),
                        F = tests[["F value"]], p = tests[["Pr(>F)"]])
  }
  print(tests, row.names = FALSE)
  for (i in seq_len(nrow(tests))) {
    for (what in c("num_df", "den_df", "F", "p")) {
      note("test", alike(tests$term[i]), what, tests[[what]][i])
    }
  }
}

# ---- means with equal weights, and differences from the first level -----------------------
report <- function(kind, of, table, mean) {
  for (i in seq_along(of)) {
    note(kind, of[i], "estimate", table[[mean]][i])
    note(kind, of[i], "se", table$SE[i])
    note(kind, of[i], "df", table$df[i])
  }
}
if (length(factors)) {
  grid <- ref_grid(model, cov.keep = "0", lmer.df = "kenward-roger", pbkrtest.limit = Inf,
                   lmerTest.limit = Inf)
  for (name in names(factors)) {
    levels_here <- factors[[name]]
    means <- suppressMessages(emmeans(grid, name))
    table <- as.data.frame(means)
    cat("\nMeans of ", name, "\n", sep = "")
    print(table, row.names = FALSE)
    report("mean", paste(name, "=", levels_here), table, "emmean")
    if (length(levels_here) < 2) next
    others <- seq_along(levels_here)[-1]
    against <- lapply(others, function(i) replace(-(seq_along(levels_here) == 1), i, 1))
    names(against) <- paste(levels_here[others], "-", levels_here[1])
    table <- as.data.frame(contrast(means, against))
    cat("\nDifferences in ", name, ", each on its own\n", sep = "")
    print(table, row.names = FALSE)
    report("difference", paste0(name, ": ", names(against)), table, "estimate")
    if (!name %in% names(margins)) next
    # the question itself: is a level's mean beyond this share of the first level's?
    edge <- margins[[name]]
    share <- if (logarithm) 1 else edge
    against <- lapply(against, function(row) replace(row, 1, -share))
    table <- as.data.frame(contrast(means, against))
    table$estimate <- table$estimate - if (logarithm) log(edge) else 0
    table$t.ratio <- table$estimate / table$SE
    table$p.value <- pt(table$t.ratio, table$df, lower.tail = edge > 1)
    cat("\nOne-sided tests against ", edge, " times the mean of ", levels_here[1],
        ", each on its own\n", sep = "")
    print(table, row.names = FALSE)
    key <- paste0(name, ": ", names(against))
    report("margin", key, table, "estimate")
    for (i in seq_along(key)) note("margin", key[i], "p", table$p.value[i])
  }
}

# ---- slopes of numeric columns --------------------------------------------------------------
for (name in slopes) {
  row <- as.numeric(names(if (length(random)) fixef(model) else coef(model)) == name)
  if (length(random)) {
    table <- contest1D(model, row, ddf = "Kenward-Roger")
    table <- data.frame(estimate = table$Estimate, SE = table[["Std. Error"]], df = table$df)
  } else {
    at <- summary(model)$coefficients[name, ]
    table <- data.frame(estimate = at[[1]], SE = at[[2]], df = df.residual(model))
  }
  cat("\nSlope of ", name, "\n", sep = "")
  print(table, row.names = FALSE)
  report("slope", name, table, "estimate")
}

# ---- beside trialkit's numbers ---------------------------------------------------------------
expected <- read_table("expected.csv")
for (name in c("trialkit", "scale")) expected[[name]] <- as.numeric(expected[[name]])
both <- merge(expected, found, by = c("kind", "of", "quantity"), all.x = TRUE)
both$apart <- abs(both$R - both$trialkit) / both$scale
cat("\ntrialkit and R side by side; `apart` is the difference as a share of `scale`\n")
print(both[order(both$kind, both$of), ], row.names = FALSE, digits = 8)
worst <- if (nrow(both)) max(ifelse(is.na(both$apart), Inf, both$apart)) else Inf
cat("\n", nrow(both), " numbers compared; largest difference ", format(worst, digits = 3), "\n",
    sep = "")
if (worst > 1e-4) {
  cat("Not the same to 1e-4.\n")
  quit(status = 1)
}
cat("The same to 1e-4.\n")
