"""A tolerance of the user's own reaches every share and every sentence of an audit."""

import re

import numpy as np
import pytest

import outcomes as oc
from outcomes.reports.audit import words
from outcomes.reports.audit.results import run_audit
from outcomes.reports.audit.words.summary import target_sentence


@pytest.fixture(scope="module")
def cohort() -> oc.Cohort:
    rows = oc.simulate_rates(8, seed=1, movement="rotation", teeth_per_patient=6)
    rows.loc[::6, "planned"] = 0.0
    rows.loc[0, "achieved"] = 3.5
    columns = ["patient", "tooth", "movement", "course", "planned", "achieved"]
    return oc.from_frames(rows[columns])


def test_it_reaches_shares_and_sentences(cohort):
    audit = run_audit(cohort, tolerance={"degree": 3.0})
    planned = audit.planned
    share = np.mean((planned["planned"] - planned["achieved"]).abs() <= 3.0)
    for table in (audit.overall, audit.by_tooth, audit.by_class, audit.by_direction):
        mean = np.average(table["within_tolerance"], weights=table["movements"])
        assert mean == pytest.approx(share)
    assert audit.unplanned["limit"].tolist() == [3.0] * len(audit.unplanned)
    said = " ".join([target_sentence(audit), *words.unplanned(audit), *words.methods(audit)])
    assert said.count("3°") == 3
    assert not re.search(r"(within |than |\()2°", said)
    assert "2017;87(6)" not in said  # that is the source of 0.5 mm and 2 degrees


def test_the_default_names_its_source(cohort):
    said = " ".join(words.methods(run_audit(cohort)))
    assert "The tolerance (2°) is from Angle Orthod 2017;87(6):809–815" in said


def test_a_name_nobody_knows_is_refused(cohort):
    with pytest.raises(ValueError, match="tolerance names degrees: use mm, degree"):
        run_audit(cohort, tolerance={"degrees": 3.0})
