"""What fits refuse and return, at the limit and just past it."""

import re

import numpy as np
import pytest

from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates


@pytest.fixture(scope="module")
def fit():
    return fit_rate(simulate_rates(8, seed=1))


def test_two_replicates_are_a_bootstrap_and_one_is_not(fit):
    assert len(fit.bootstrap(n=2, seed=1).replicates) == 2
    with pytest.raises(ValueError, match="needs at least 2 replicates, not 1; 1000 is usual"):
        fit.bootstrap(n=1, seed=1)


def test_what_the_test_of_linearity_gives(fit):
    assert fit.linearity().index.tolist() == [
        "change", "se", "low", "high", "p", "chisq", "df", "p_lrt", "sentence",
    ]  # fmt: skip
    assert fit.linearity()["df"] == 1


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        ({"converged": False}, "did not converge on these rows: use engine='outcomes'."),
        (
            {"llf": np.nan},
            "gives no finite likelihood or standard errors on these rows: use engine='outcomes'.",
        ),
    ],
)
def test_a_second_engine_that_fails_names_the_first(monkeypatch, spoil, said):
    from statsmodels.regression.mixed_linear_model import MixedLM

    whole = MixedLM.fit

    def fit(*args, **options):
        found = whole(*args, **options)
        for name, value in spoil.items():
            # results are wrapped: what is set must be found on the results within
            monkeypatch.setattr(type(found._results), name, value, raising=False)
            found._results.__dict__.pop(name, None)
        return found

    monkeypatch.setattr(MixedLM, "fit", fit)
    with pytest.raises(ValueError, match=re.escape(f"rotation: statsmodels MixedLM {said}") + "$"):
        fit_rate(simulate_rates(8, seed=1), engine="statsmodels")
