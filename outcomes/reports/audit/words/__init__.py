"""Sentences written from results: plain words first, numbers beside them.

Every function gives plain text. Where something cannot be said, the sentence says that, and why.
"""

from outcomes.domain.names import class_name, heading, movement_name
from outcomes.reports.audit.words.achieved import (
    class_rates,
    directions,
    failed,
    forest_caption,
    how_sure,
    movement_rates,
)
from outcomes.reports.audit.words.apices import roots
from outcomes.reports.audit.words.closing import audit_cautions, methods, next_steps
from outcomes.reports.audit.words.compared import compared, difference_words, differences, plural
from outcomes.reports.audit.words.misses import measurement, tooth_chart, unplanned, wrong_way
from outcomes.reports.audit.words.reading import (
    checked,
    ledger_sum,
    ledger_words,
    plausibility,
    problem_words,
    problems_found,
    reading,
    tables_read,
)
from outcomes.reports.audit.words.summary import summary, target_sentence, tolerance_words
from outcomes.reports.common.missing import later_alone, missing, not_in_the_rates
from outcomes.reports.common.opinion import opinion_words
from outcomes.reports.common.robust import second_reading, second_readings
from outcomes.words.cautions import cautions
from outcomes.words.english import capital, equals, listed, number_of, points_of, rate_words

__all__ = [
    "audit_cautions",
    "capital",
    "cautions",
    "checked",
    "class_name",
    "class_rates",
    "compared",
    "difference_words",
    "differences",
    "directions",
    "equals",
    "failed",
    "forest_caption",
    "heading",
    "how_sure",
    "later_alone",
    "ledger_sum",
    "ledger_words",
    "listed",
    "measurement",
    "methods",
    "missing",
    "movement_name",
    "movement_rates",
    "next_steps",
    "not_in_the_rates",
    "number_of",
    "opinion_words",
    "plausibility",
    "plural",
    "points_of",
    "problem_words",
    "problems_found",
    "rate_words",
    "reading",
    "roots",
    "second_reading",
    "second_readings",
    "summary",
    "tables_read",
    "target_sentence",
    "tolerance_words",
    "tooth_chart",
    "unplanned",
    "wrong_way",
]
