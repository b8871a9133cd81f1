"""Cohorts and small helpers for the tests of reports."""

import made_series
import pandas as pd
import pytest

from outcomes.cohort.read import from_frames
from outcomes.reports.build.run import run_report
from outcomes.reports.series.poster import write_poster
from outcomes.reports.series.poster_columns import FORMATS


def small_frame() -> pd.DataFrame:
    """The smallest cohort that is worth an audit: five columns, one movement, three patients."""
    return pd.DataFrame(
        {
            "patient": ["P001", "P001", "P002", "P002", "P003", "P003"],
            "tooth": [11, 21, 11, 21, 11, 33],
            "movement": "rotation",
            "planned": [10.0, -8.0, 12.0, 6.0, -9.0, 7.0],
            "achieved": [6.2, -4.1, 7.9, 2.8, -5.5, 3.1],
        }
    )


@pytest.fixture
def small_cohort():
    return from_frames(small_frame(), source="small.csv")


@pytest.fixture
def small_csv(tmp_path):
    path = tmp_path / "small.csv"
    small_frame().to_csv(path, index=False)
    return path


class Posters:
    """Posters of made series, each written when it is first asked for: by kind and format."""

    def __init__(self, place):
        self.place, self.made = place, {}

    def __getitem__(self, wanted):
        kind, name = wanted
        if wanted not in self.made:
            path = self.place / f"{kind}_{name}.pptx"
            self.made[wanted] = write_poster(*made_series.EVERY[kind](), path, FORMATS[name])
        return self.made[wanted]


@pytest.fixture(scope="session")
def posters(tmp_path_factory):
    pytest.importorskip("pptx")
    return Posters(tmp_path_factory.mktemp("posters"))


@pytest.fixture(scope="session")
def demo_report(tmp_path_factory):
    """A report of the demonstration practice, written once for all tests."""
    return run_report("practice_audit", None, tmp_path_factory.mktemp("reports") / "audit")
