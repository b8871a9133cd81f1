"""Sentences written from results: plain words first, numbers beside them.

Every function gives plain text. Where something cannot be said, the sentence says that, and why.
"""

from outcomes.domain.names import heading
from outcomes.reports.audit.words.achieved import (
    class_rates,
    directions,
    forest_caption,
    measurement,
    movement_rates,
    not_in_the_rates,
    roots,
    second_readings,
    tooth_chart,
    unplanned,
    wrong_way,
)
from outcomes.reports.audit.words.compared import differences
from outcomes.reports.audit.words.reading import (
    checked,
    ledger_words,
    plausibility,
    problem_words,
    problems_found,
    reading,
    tables_read,
)
from outcomes.reports.audit.words.summary import audit_cautions, methods, next_steps, summary
from outcomes.words.cautions import cautions

__all__ = [
    "audit_cautions",
    "cautions",
    "checked",
    "class_rates",
    "differences",
    "directions",
    "forest_caption",
    "heading",
    "ledger_words",
    "measurement",
    "methods",
    "movement_rates",
    "next_steps",
    "not_in_the_rates",
    "plausibility",
    "problem_words",
    "problems_found",
    "reading",
    "roots",
    "second_readings",
    "summary",
    "tables_read",
    "tooth_chart",
    "unplanned",
    "wrong_way",
]
