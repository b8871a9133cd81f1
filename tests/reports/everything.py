"""All that the audit notebook calls, without the notebook."""

from outcomes.reports.audit import tables, words
from outcomes.reports.audit.results import Audit
from outcomes.reports.build.show import save_table

SAID = (
    "summary",
    "movement_rates",
    "class_rates",
    "directions",
    "not_in_the_rates",
    "second_readings",
    "differences",
    "wrong_way",
    "unplanned",
    "tooth_chart",
    "measurement",
    "next_steps",
    "methods",
)
READ = ("reading", "checked", "problems_found", "problem_words", "tables_read", "plausibility")


def sentences(audit: Audit) -> dict[str, list[str]]:
    said = {name: getattr(words, name)(audit) for name in SAID}
    return said | {name: getattr(words, name)(audit.cohort) for name in READ}


def shown_tables(audit: Audit) -> list[str]:
    pairs = [
        (words.ledger_words(audit.cohort), tables.ledger),
        (audit.rate_table, tables.movement_rates),
        (audit.class_fits.rates, tables.rates),
        (audit.direction_fits.rates, tables.direction_rates),
        (audit.by_class, tables.targets),
        (audit.missing, tables.missing),
        (audit.robust, tables.robust),
        (audit.differences.table, tables.differences),
        (audit.unplanned, tables.unplanned),
        (audit.measurement, tables.measurement),
        (audit.model_table, tables.models),
        (audit.cohort.problems, tables.problems),
    ]
    return [save_table(frame, "table", view=view).html for frame, view in pairs]
