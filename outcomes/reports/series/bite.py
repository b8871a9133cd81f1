"""What changed the overbite: its parts, and their table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.reports.series.cells import Draft
from outcomes.reports.series.rounding import Rounding, between, counted_of, mean_sd
from outcomes.reports.table import NOT_MEASURED, Cell, row
from outcomes.words.numbers import interval_words

if TYPE_CHECKING:
    from outcomes.reports.series.results import Series

__all__ = ["BITE_TEETH", "bite_table", "bite_way"]

BITE_TEETH = {
    "upper_incisor": ("upper incisors", "extrusion", "intrusion"),
    "lower_incisor": ("lower incisors", "extrusion", "intrusion"),
    "from_posterior": ("molars", "intrusion", "extrusion"),
}
"""Teeth of a component, and which way they moved to add to the overbite and to take from it."""


def bite_way(component: str, text: str) -> str:
    """How teeth moved to change the overbite by a printed number.

    Examples
    --------
    >>> bite_way("lower_incisor", "−1.7 (0.2)"), bite_way("from_posterior", "0.4")
    ('intrusion of lower incisors', 'intrusion of molars')
    >>> bite_way("upper_incisor", "0.0"), bite_way("upper_incisor", NOT_MEASURED)
    ('vertical movement of upper incisors', 'vertical movement of upper incisors')
    """
    teeth, more, less = BITE_TEETH[component]
    if not any(figure in "123456789" for figure in text.split(" ")[0]):
        return f"vertical movement of {teeth}"
    return f"{less if text.startswith('−') else more} of {teeth}"


def bite_table(series: Series, rounding: Rounding) -> Draft:
    """What changed the overbite."""
    table = series.bite.average
    by = series.split if series.split in table.columns else None
    places = max(1, rounding.measure("overbite"))
    rows = []
    for line in table.to_dict("records"):
        group = str(line[by]) if by else "all"
        n = int(line["patients"])
        component = str(line["component"])
        mean = mean_sd(line["mean"], line["sd"], places) if n else Cell(NOT_MEASURED)
        if component in BITE_TEETH:
            name = f"From {bite_way(component, mean.text)}"
        else:
            name = {"change": "Change of overbite"}.get(component, "Not explained")
            mean = mean if n else Cell("–")
        rows.append(
            row(
                f"{group} {component}",
                [
                    f"{name}{f'; {group}' if by else ''}",
                    counted_of(n, line["treated"]),
                    mean,
                    between(line["low"], line["high"], places),
                    Cell("–")
                    if not abs(line["range_high"] - line["range_low"]) >= 1e-9
                    else between(line["range_low"], line["range_high"], places),
                ],
                patients=n if len(series.patients) > 1 else None,
            )
        )
    low, high = series.bite.lever_range
    interval = interval_words(series.bite.level)
    notes = [
        f"1 mm of molar intrusion is taken to give {series.bite.lever:g} mm of overbite (range "
        f"{low:g} to {high:g}) where there is no hinge model. Not explained: error of measurement, "
        "the patient's own lever, growth, tipping. Each line: what it added to the overbite (mm), "
        "a mean over the teeth and patients measured in every course, with patients measured of "
        "those treated; lines of different patients need not add up.",
    ]
    columns = ("Part, mm", "Patients", "Mean (SD)", interval, "Range over the lever")
    return "What changed the overbite", columns, rows, notes
