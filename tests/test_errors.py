"""The errors: one base that catches all, beside the built-in kinds that users may catch."""

import pandas as pd
import pytest

import outcomes as oc
import outcomes.reports
from outcomes import errors

CLASSES = [item for item in vars(errors).values() if isinstance(item, type)]


@pytest.mark.parametrize("kind", CLASSES, ids=lambda kind: kind.__name__)
def test_every_error_has_the_one_base_and_is_public(kind):
    assert issubclass(kind, oc.OutcomesError)
    assert getattr(oc, kind.__name__) is kind


def test_built_in_kinds_that_users_catch_hold():
    assert issubclass(oc.CohortError, ValueError)
    assert issubclass(oc.CannotAnswer, ValueError)
    assert issubclass(oc.ReportFailed, RuntimeError)
    assert outcomes.reports.ReportError is oc.ReportFailed


def test_a_bad_argument_and_data_that_cannot_answer_are_told_apart():
    with pytest.raises(oc.InputError, match="one of the two"):
        oc.plan_study()
    rows = pd.DataFrame({"patient": ["P1"], "tooth": [13], "movement": ["rotation"],
                         "planned": [5.0], "achieved": [3.0]})  # fmt: skip
    with pytest.raises(oc.CannotAnswer) as error:
        oc.fit_rate(oc.from_frames(rows), "rotation")
    assert not isinstance(error.value, oc.InputError)
