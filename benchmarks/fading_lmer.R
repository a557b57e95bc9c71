# Fits R's lme4 to the rows that fading.py wrote, and says what it found and how long it took.
#   Rscript fading_lmer.R FOLDER n p
suppressPackageStartupMessages(library(lme4))
told <- commandArgs(trailingOnly = TRUE)
n <- as.integer(told[2])
p <- as.integer(told[3])
numbers <- function(name, size) readBin(file.path(told[1], name), "double", size)
X <- matrix(numbers("design", n * p), n, p, byrow = TRUE)
y <- numbers("response", n)
subject <- factor(numbers("subject", n))
step <- numbers("step", n)
# warnings on the scale of columns say nothing of the fit
took <- system.time(fitted <- suppressWarnings(lmer(y ~ 0 + X + (1 + step | subject), REML = TRUE)))
D <- as.matrix(VarCorr(fitted)$subject)
cat(sprintf("%.17g\n", c(sum(took[c("user.self", "sys.self")]), REMLcrit(fitted), sigma(fitted)^2,
                         D[1, 1], D[1, 2], D[2, 2], unname(fixef(fitted)))), sep = "")
