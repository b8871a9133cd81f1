"""One way to the figure of a result, and results that know nothing of figures."""

import inspect
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes import figures
from outcomes.figures.base import new_axes
from outcomes.figures.dispatch import plot


def test_a_result_draws_itself_as_the_function_of_figures_does(fit):
    ax = new_axes()
    assert fit.plot(ax) is ax
    words = figures.alt_text(figures.planned_achieved(fit))
    assert figures.alt_text(ax) == figures.alt_text(oc.plot(fit)) == words


def test_options_reach_the_figure(fit):
    plan = oc.prescribe(fit, pd.DataFrame({"tooth": [11, 13], "aim": [5.0, -4.0]}))
    axes = plan.plot("rotation", ax=new_axes(columns=2))
    assert figures.alt_text(axes) == figures.alt_text(oc.plot(plan, movement="rotation"))
    with pytest.raises(ValueError, match="torque"):
        plan.plot("torque")


def test_every_result_with_a_figure_takes_the_options_of_its_method():
    for kind in set(plot.registry) - {object}:
        if method := getattr(kind, "plot", None):
            wanted = list(inspect.signature(method).parameters)[1:]
            assert list(inspect.signature(plot.dispatch(kind)).parameters)[1:] == wanted, kind


def test_what_has_no_figure_is_told_what_has():
    with pytest.raises(oc.InputError, match=r"A list has no figure .* RateFit, Plan, Validation"):
        oc.plot([1, 2])


def test_fitting_imports_no_figures():
    code = (
        "import sys, outcomes; fit = outcomes.fit_rate(outcomes.simulate_rates(8, seed=1)); "
        "print([m for m in sys.modules if m.startswith(('outcomes.figures', 'matplotlib'))]); "
        "print(type(fit.plot()).__name__)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["[]", "Axes"]


def test_measures_before_and_after_have_their_panels():
    rows = pd.DataFrame(
        {
            "patient": ["P001", "P001", "P002", "P002"],
            "after_course": [0, 1] * 2,
            "measure": "overbite",
            "unit": "mm",
            "value": [5.0, 2.4, 4.2, 2.2],
        }
    )
    assert np.shape(oc.plot(oc.before_after(rows))) == (1,)
