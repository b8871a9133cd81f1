"""Case series whose tables were written by hand, and the words that go with them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd

from outcomes.reports.series import words as prose
from outcomes.reports.table import NOT_MEASURED, Cell, Row, Table, row

SETTINGS = {
    "level": "95\u00a0%", "few": "5", "tolerance mm": "0.5", "tolerance degree": "2", "lever": "2",
    "lever range": "1.5 to 3", "equivalence patients": "5", "equivalence share": "80\u00a0%", "software python": "3.99", "software outcomes": "9.9",
    **{f"software {name}": f"{k}.0" for k, name in enumerate(
        ("numpy", "scipy", "pandas", "statsmodels", "pingouin"), start=11)},
}  # fmt: skip
CITED = ("tolerance", "fit", "df", "robust", "dahlberg", "agreement", "equivalence", "lever")


def table(label, columns, lines):
    rows = []
    for key, cells in lines.items():
        if cells is None:
            rows.append(Row(key, tuple(Cell("") for _ in ("", *columns)), heading=True))
        else:
            rows.append(row(key, [key, *map(str, cells)]))
    return Table(label.lower(), label, "", ("Name", *columns), tuple(rows))


def common(left):
    return {
        "records": table(
            "Table S2",
            ("Rows", "Patients"),
            {
                "movements read": (90, 12), "movements excluded": (left, 2),
                "movements excluded 1": (left - 1 if left > 1 else left, 1),
                "movements excluded 2": (1, 1),
            },
        ),
        "settings": table("Table S8", ("Value",), {k: (v,) for k, v in SETTINGS.items()}),
        "references": table("Table S9", ("No.",), {k: (n,) for n, k in enumerate(CITED, start=1)}),
    }  # fmt: skip


BEFORE = ("Patients", "Start", "End", "Difference", "95\u00a0% interval", "p", "On target, start", "On target, end")  # fmt: skip


def line(measure, unit="mm", patients=7, difference=-2.0, half=1.0, targets=(0, 0, 0), **more):
    with_target, at_start, met = targets
    return {
        "measure": measure, "period": "total", "unit": unit, "patients": patients,
        "difference": difference, "low": difference - half, "high": difference + half,
        "with_target": with_target, "met_at_start": at_start, "met": met, "distance": 1.0,
        "distance_at_start": 2.0, **more,
    }  # fmt: skip


def ledger(*excluded):
    lines = [("movements", "read", "", 90)]
    lines += [("movements", "excluded", reason, 1) for reason in excluded]
    lines += [("measures", "excluded", "of another sheet", 1)]
    return pd.DataFrame(lines, columns=["table", "step", "reason", "rows"])


def series_of(patients, before, rates, **given):
    usual = {
        "patients": [f"P{k:03}" for k in range(patients)],
        "tolerance": {"mm": 0.5, "degree": 2.0},
        "fits": SimpleNamespace(
            rates=pd.DataFrame(rates, columns=["movement", "rate", "high", "patients"])
        ),
        "overall": pd.DataFrame({"movement": ["vertical", "tip"]}),
        "before_after": SimpleNamespace(table=pd.DataFrame(before)),
        "before_after_split": None,
        "split": None,
        "opposed": (),
        "unplanned": pd.DataFrame(
            {
                "movement": ["vertical", "tip"],
                "tooth_class": ["molar", "canine"],
                "equivalent": pd.array([True, None], dtype="boolean"),
            }
        ),
    }
    return SimpleNamespace(**(usual | given))


def several():
    """Twelve patients, and something in every table."""
    split = pd.DataFrame(
        [
            line("overbite", targets=(5, 0, 3), kind="deep bite"),
            line("overbite", difference=2.0, targets=(7, 3, 1), distance=2.5, kind="open bite"),
            line("overbite", patients=0, kind="crossbite"),
        ]
    )
    before = [
        line("overbite"),
        line("overjet", difference=0.1, half=0.3, targets=(7, 1, 1)),
        line("open_bite", targets=(7, 0, 5)),
        line("mandibular_plane", "degree", difference=0.1),
        line("recession", difference=0.5, half=0.2),
        line("crowding", difference=-1.0, half=0.5),
        line("apex_to_plate", patients=2, low=np.nan, high=np.nan),
        line("probing_depth", patients=1, low=np.nan, high=np.nan, targets=(1, 1, 0)),
        line("lower_face_height", patients=0),
    ]
    cells = lambda n, start, end: (n, start, end, "−2.0", "−3.0 to −1.0", "0.031")  # noqa: E731
    tables = common(3) | {
        "patients": table("Table 1", ("n = 12",), {
            "patients": (12,), "age median": ("23.5 (13 to 55)",), "growing yes": (2,),
            "malocclusion": None, "malocclusion deep bite": ("5 (42\u00a0%)",),
            "malocclusion blank": ("1 (8\u00a0%)",), "courses median": ("2 (1 to 3)",),
            "teeth": (40,), "planned": (80,),
        }),
        "achievement": table("Table 2", ("Movements", "On target", "Pooled rate, %"), {
            "vertical all": (50, "20 (40\u00a0%)", 55), "tip all": (30, "15 (50\u00a0%)", 66),
        }),
        "rates": table("Table 3", ("Rate, %", "95\u00a0% interval"), {
            "vertical all": (56, "50 to 62"), "tip all": (70, "39 to 101"),
            "torque all": (45, "30 to 60"),
        }),
        "before_after": table("Table 4", BEFORE, {
            "overbite deep bite": (*cells(5, "4.0", "2.0"), "0/5", "3/5"),
            "overbite open bite": (*cells(7, "−2.0", "0.0"), "3/7", "1/7"),
            "overjet all": (*cells(7, "3.0", "3.1"), "1/7", "1/7"),
            "open_bite all": (*cells(7, "2.0", "0.0"), "0/7", "5/7"),
            "mandibular_plane all": (*cells(7, "33", "33"), "–", "–"),
            "recession all": (*cells(7, "0.5", "1.0"), "–", "–"),
            "crowding all": (*cells(7, "2.0", "1.0"), "–", "–"),
            "apex_to_plate all": (*cells(2, "3.0", "2.9"), "–", "–"),
            "probing_depth all": (*cells(1, "2.0", "3.0"), "1/1", "0/1"),
        }),
        "measurement": table("Table S3", ("Dahlberg's error",), {
            "vertical mm": ("0.09",), "tip degree": ("0.5",),
        }),
        "contrasts": table("Table S4", ("Points", "95\u00a0% interval", "p, adjusted"), {
            "tip molar canine": ("15", "2 to 28", "0.010"),
            "vertical incisor molar": ("−20", "−30 to −10", "< 0.001"),
        }),
        "unplanned": table("Table S6", ("Patients", "Movements"), {
            "vertical molar": ("9 of 12", "20 of 24"), "movements": ("", 30),
            "not measured": ("", 4), "groups": ("", 4), "equivalent": ("", 1),
        }),
        "bite": table("Table S7", ("Patients", "Mean (SD)"), {
            "deep bite change": ("5 of 5", "−1.5 (0.3)"),
            "deep bite upper_incisor": ("3 of 5", "−0.3 (0.2)"),
            "deep bite lower_incisor": ("5 of 5", "0.2 (0.2)"),
            "deep bite from_posterior": ("1 of 5", "0.0"),
            "deep bite unexplained": ("0 of 5", "–"),
            "open bite change": ("1 of 1", "2.5"), "open bite upper_incisor": ("1 of 1", "1.0"),
            "open bite lower_incisor": ("1 of 1", "−0.4"),
            "open bite from_posterior": ("1 of 1", "1.2"), "open bite unexplained": ("1 of 1", "−0.1"),
            "crossbite change": ("7 of 7", "0.5 (0.2)"),
            "crossbite upper_incisor": ("7 of 7", "0.2 (0.1)"),
            "crossbite lower_incisor": ("0 of 7", NOT_MEASURED),
            "crossbite from_posterior": ("0 of 7", NOT_MEASURED), "crossbite unexplained": ("0 of 7", "–"),
        }),
    }  # fmt: skip
    tables["measurement"] = Table(
        "measurement", "Table S3", "", ("Name", "Dahlberg's error"),
        (row("vertical", ["Vertical, mm", "0.09"]), row("tip", ["Tip, °", "0.5"])),
    )  # fmt: skip
    contrasts = pd.DataFrame(
        {
            "movement": ["tip", "vertical", "torque"], "a": ["molar", "incisor", "molar"],
            "b": ["canine", "molar", "incisor"], "difference": [0.15, -0.2, 0.3],
            "p_holm": [0.01, 0.0004, 0.2],
        }
    )  # fmt: skip
    measures = pd.DataFrame(
        {"measure": ["overbite", "overbite", "open_bite"], "target": [1.0, 2.0, -0.5]}
    )
    cohort = SimpleNamespace(
        movements=pd.DataFrame({"unit": ["mm", "degree"]}), measures=measures, invented=True,
        ledger=ledger("Not measured yet", "tooth not readable"), patients=pd.DataFrame(),
    )  # fmt: skip
    rates = [("vertical", 0.56, 0.62, 12), ("tip", 0.7, 1.01, 8), ("torque", 0.45, 0.6, 4)]
    made = series_of(
        12, before, rates, cohort=cohort, contrasts=contrasts, opposed=("overbite",), split="kind",
        before_after_split=SimpleNamespace(table=split),
    )  # fmt: skip
    return made, tables


def one():
    """One patient, of whom little is known."""
    cells = lambda start, end: (1, start, end, "−2.0", "–", "–")  # noqa: E731
    tables = common(0) | {
        "patients": table("Table 1", ("Value",), {
            "patients": (1,), "age": (23,), "sex": ("male",), "malocclusion": ("open bite",),
            "courses": (1,), "teeth": (1,), "planned": (1,),
        }),
        "achievement": table("Table 2", ("Movements", "On target", "Pooled rate, %"), {
            "vertical all": (1, "0", 55), "tip all": (1, "1 (100\u00a0%)", 66),
        }),
        "before_after": table("Table 3", BEFORE, {
            "overbite all": (*cells("−2.0", "0.0"), "0/1", "1/1"),
            "overjet all": (*cells("3.0", "3.0"), "–", "–"),
        }),
        "unplanned": table("Table S6", ("Movements",), {
            "movements": (1,), "not measured": (1,), "groups": (0,),
        }),
        "bite": table("Table S7", ("Patients", "Mean (SD)"), {
            "all change": ("1 of 1", "2.0"), "all upper_incisor": ("1 of 1", "1.2"),
            "all lower_incisor": ("1 of 1", "−0.3"), "all from_posterior": ("1 of 1", "−0.7"),
            "all unexplained": ("1 of 1", "0.0"),
        }),
    }  # fmt: skip
    before = [
        line("overbite", patients=1, low=np.nan, high=np.nan, targets=(1, 0, 1)),
        line("overjet", patients=1, low=np.nan, high=np.nan),
    ]
    cohort = SimpleNamespace(
        movements=pd.DataFrame({"unit": ["mm"]}), measures=pd.DataFrame(), invented=False,
        ledger=ledger(), patients=pd.DataFrame({"growing": ["yes"]}),
    )  # fmt: skip
    return series_of(1, before, [], cohort=cohort), tables


def bare():
    """Six patients and their movements, one row left out, no rate."""
    series, tables = several()
    kept = {"patients", "achievement", "records", "settings", "references"}
    tables = {name: table_ for name, table_ in tables.items() if name in kept} | common(1)
    tables["patients"] = table(
        "Table 1", ("n = 6",), {"patients": (6,), "teeth": (2,), "planned": (4,)}
    )
    series.cohort.invented = False
    series.cohort.ledger = ledger("Not measured yet")
    series.patients = series.patients[:6]
    return series, tables


def words() -> list[str]:
    """All that is said of the three, a sentence a line."""
    lines = []
    for make in (several, one, bare):
        series, tables = make()
        lines.append(f"# {make.__name__}")
        paragraphs = [
            *prose.methods(series, tables),
            *prose.results(series, tables),
            prose.limitations(series, tables),
        ]
        lines += [f"{p.heading}: {sentence.text}" for p in paragraphs for sentence in p.sentences]
        for most in (1, 4):
            lines += [f"In short, {most}: {s.text}" for s in prose.summary(series, tables, most)]
    return lines
