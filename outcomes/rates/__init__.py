"""Achievement rates: design, fit, prediction, comparisons, robustness."""
