"""Lists over several movements allow for their number (Holm), in the audit and the calibration."""

from types import SimpleNamespace

import pandas as pd

from outcomes.reports.audit.words import achieved
from outcomes.reports.overcorrection import words as calibration_words


def fit(p: float, a: str, b: str) -> SimpleNamespace:
    contrast = pd.DataFrame(
        {"a": [a], "b": [b], "difference": [0.1], "low": [0.01], "high": [0.2], "p": [p]}
    ).assign(p_holm=p)
    rates = pd.DataFrame({"group": [a, b], "rate": [0.6, 0.5], "patients": 20, "movements": 90})
    return SimpleNamespace(contrasts=lambda: contrast, rates=rates)


MOVEMENTS = ("vertical", "torque", "rotation", "tip", "mesiodistal")


def fits(p: float, a: str, b: str) -> dict:
    """One movement at p, the others far from any difference."""
    return {name: fit(p if name == "vertical" else 0.8, a, b) for name in MOVEMENTS}


class Fits(dict):
    failed: dict = {}  # noqa: RUF012


def test_audit_classes_and_directions():
    for p, found in ((0.02, False), (0.009, True)):  # 5 comparisons: 0.02 becomes 0.1
        audit = SimpleNamespace(
            level=0.95,
            class_fits=Fits(fits(p, "incisor", "molar")),
            direction_fits=fits(p, "extrusion", "intrusion"),
            planned=pd.DataFrame({"movement": MOVEMENTS, "tooth_class": "incisor"}),
        )
        assert (" by " in achieved.class_rates(audit)[0]) is found
        assert "5 comparisons" in achieved.class_rates(audit)[-1].replace("Five", "5")
        said = achieved.directions(audit)[0].replace("\u00a0", " ")
        assert "adjusted p" in said
        assert (f"{5 * p:.3g}" in said) or found


def test_calibration_directions_attachments_and_gains():
    for p, found in ((0.02, False), (0.009, True)):
        values = [p, *[0.8] * 4]
        table = pd.DataFrame({"movement": MOVEMENTS, "p": values, "change": 0.1})
        table = table.assign(low=0.01, high=0.2, less=0.1, verdict="supported")
        calibration = SimpleNamespace(
            direction_fits=fits(p, "incisor extrusion", "incisor intrusion"),
            attachment_fits=SimpleNamespace(failed={}),
            attachment_factors=table,
            cohort=SimpleNamespace(invented=False),
            factors=table,
            gains=table,
            plan=None,
        )
        clear = "differ by" in calibration_words.directions(calibration)[0]
        assert clear is found
        assert (
            "of the plan with an attachment" in calibration_words.attachment(calibration)[0]
        ) is found
        summary = " ".join(calibration_words.summary(calibration))
        assert (f"({int(found)} of 5 movements" in summary) is True
