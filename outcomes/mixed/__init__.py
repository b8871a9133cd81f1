"""The linear mixed model: blocks of sums, likelihood, optimum, fit, resampling. No clinical word."""
