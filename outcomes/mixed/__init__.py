"""The linear mixed model: blocks of sums, likelihood, optimum, fit, resampling. No clinical word.

The model, for the rows of one outer group::

    y = X b + Z u + z v_inner + e,   u ~ N(0, s2 Psi),  v ~ N(0, s2 lam),  e ~ N(0, s2)

with q independent effects u of the outer group and, if wanted, one effect v of each of the inner
groups nested in it. ``Psi`` (diagonal) and ``lam`` are relative to the residual variance ``s2``:
squares of ``theta``, relative standard deviations, as in Bates, Maechler, Bolker & Walker, J Stat
Softw 2015;67(1), doi:10.18637/jss.v067.i01.

With W = [X, y], sums ``S = z'W`` and ``n = z'z`` of each inner group, and ``w = lam/(1 + lam n)``::

    A = Z'Z - sum_s w c c'     T = Z'W - sum_s w c S'     (c = Z'z within the inner group)
    K = Psi (I + A Psi)^-1
    C = W'W - sum_s w S S' - sum_g T'K T
    log|V| = sum_s log(1 + lam n) + sum_g log|I + A Psi|

The Cholesky factor of ``C`` gives b, s2 and log|X'V^-1 X|. No evaluation touches the rows again, so
that a bootstrap over outer groups is a weight for each and a new response changes the y part only.

Modules, in order: blocks (the sums), likelihood (for many problems at once), optimum, shares (what
each outer group adds), fit, then cluster (robust covariance) and resample.
"""
