"""The figure of a study's size shows what the plan holds."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from outcomes.figures import alt_text, study_size
from outcomes.study.plan import plan_study


@pytest.mark.parametrize("question", [{"width": 0.2}, {"difference": 0.2}])
def test_marks_are_simulated_sizes_and_lines_the_closed_form(question):
    plan = plan_study(teeth_per_patient=[4, 8], simulations=20, **question)
    ax = Figure().subplots()
    assert study_size(plan, ax) is ax
    lines = {line.get_label(): line for line in ax.get_lines()}
    column = "width" if "width" in question else "power"
    for teeth in (4, 8):
        tried = plan.studies.query("teeth_per_patient == @teeth")
        mark = lines[str(teeth)]
        np.testing.assert_array_equal(mark.get_xdata(), tried["patients"])
        np.testing.assert_allclose(mark.get_ydata(), 100 * tried[column])
    curve = ax.get_lines()[0]
    at = curve.get_xdata()[[3, 20]]
    np.testing.assert_allclose(curve.get_ydata()[[3, 20]], 100 * plan.closed_form(4, at))
    assert ax.get_xlabel() == ("Patients" if column == "width" else "Patients in each group")
    assert plan.sentences[0] in alt_text(ax)


def test_the_plan_draws_itself_and_the_closed_form_meets_its_own_answer():
    plan = plan_study(width=0.2, teeth_per_patient=8, simulations=20)
    assert alt_text(plan.plot()).startswith("Width of the interval against the number of patients")
    n = int(plan.table["closed_form_patients"].iloc[0])
    after, before = plan.closed_form(8, np.array([n, n - 1]))
    assert after <= 0.2 < before
