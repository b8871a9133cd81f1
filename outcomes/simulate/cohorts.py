"""A whole invented cohort: movements over several courses, patients, measures, repeats, truth."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.movements import TOOTH_CLASSES
from outcomes.domain.tables import TABLES
from outcomes.errors import InputError
from outcomes.simulate import scenario
from outcomes.simulate.invented import SimulatedCohort, Truth
from outcomes.simulate.measures import MEASURE_COLUMNS, bite_changes, measures_table
from outcomes.simulate.mess import with_bad_rows
from outcomes.simulate.people import courses_table, patients_table
from outcomes.simulate.scenario import DECIMALS, NAMES, TOOTH_CLASS, UNITS, by_index
from outcomes.simulate.treatment import Design, all_courses, draw_effects, reading_error, rounded

MOVEMENT_COLUMNS = [c.name for c in TABLES["movements"].columns if c.name != "ipr_mm"]
REPEAT_COLUMNS = ["patient", "tooth", "movement", "course", "reader", "reading", "value"]


def simulate_cohort(
    *,
    patients: int = 60,
    seed: int,
    rates: Mapping[str, Any] | None = None,
    patient_sd: Mapping[str, float] | float = 0.09,
    tooth_sd: Mapping[str, float] | float = 0.08,
    residual_sd: Mapping[str, float] | float | None = None,
    repeat_sd: Mapping[str, float] | float | None = None,
    movements: Sequence[str] = NAMES,
    courses: int = 3,
    overcorrect: bool = True,
    drop_out: float = 0.05,
    unplanned: bool = True,
    repeats: bool = True,
    measures: bool = True,
    attachment_effect: Mapping[str, float] | float = 0.0,
    malocclusions: Mapping[str, float] | None = None,
    sites: Sequence[str] = ("North", "South"),
    clinicians: Sequence[str] = ("A", "B", "C"),
    site_sd: float = 0.0,
    heteroscedastic: float = 0.0,
    outliers: float = 0.0,
    skew: float = 0.0,
    lever: float = 2.0,
    bad_rows: bool = False,
) -> SimulatedCohort:
    """An invented cohort that follows the rate model, with everything a practice would record.

    For each movement, ``achieved = (rate[class] + attachment_effect * attachment + site + u + v) *
    planned + residual``, u ~ (0, patient_sd), v ~ N(0, tooth_sd) for a tooth of a patient, the same
    in every course. A later course aims at what is left where that is worth it, and plans
    1.5 (mm) or 1.4 (degrees) times the aim if ``overcorrect``. Values are rounded as an export
    would: 0.01 mm, 0.1 degree.

    Parameters
    ----------
    patients
        How many patients, P001 and so on.
    seed
        Same seed, same cohort.
    rates
        movement -> rate, or movement -> {tooth class: rate}; the rest stays at DEFAULT_RATES.
    patient_sd, tooth_sd
        SD of the rate between patients and between teeth of a patient: a number, or by movement
        or unit.
    residual_sd, repeat_sd
        SD of achieved around its expectation, and of one reading's error, which is part of it; mm
        or degree. A number, or by movement or unit; default 0.22 mm and 1.6 degrees, 0.08 mm and
        0.6 degrees.
    movements
        Which movements.
    courses
        Most courses a patient can have.
    overcorrect
        Whether later courses plan more than the aim.
    drop_out
        Chance, per course, that the patient leaves before the scan: achieved stays blank.
    unplanned, repeats, measures
        Whether to make rows with planned 0, the repeats table, the measures table.
    attachment_effect
        What an attachment adds to the rate: a number, or by movement or unit.
    malocclusions
        Malocclusion -> weight, from MALOCCLUSIONS; decides what is planned.
    sites, clinicians
        Names. Clinicians belong to one site each, in turn.
    site_sd
        SD of the rate between sites.
    heteroscedastic, outliers, skew
        Departures from the model: residual SD growing as 1 + heteroscedastic·|planned| (per 1 mm
        or 6 degrees), share of eightfold residuals, skewness of patient effects.
    lever
        mm of overbite per mm of posterior intrusion in the measures.
    bad_rows
        Put in the kinds of bad cells that spreadsheets have; see ``with_bad_rows``.

    Returns
    -------
    SimulatedCohort

    Raises
    ------
    InputError
        For an unknown name or a number outside its range.

    Examples
    --------
    >>> invented = simulate_cohort(patients=12, seed=1)
    >>> list(invented.movements.columns)
    ['patient', 'tooth', 'movement', 'planned', 'achieved', 'course', 'aim', 'attachment', 'auxiliary']
    >>> invented.truth.rates.query("movement == 'rotation'")["rate"].tolist()
    [0.62, 0.52, 0.46, 0.5]
    """
    design = Design(
        rates=scenario.rate_table(rates),
        patient_sd=scenario.by_movement(patient_sd),
        tooth_sd=scenario.by_movement(tooth_sd),
        residual_sd=scenario.by_movement(residual_sd, scenario.RESIDUAL_SD),
        repeat_sd=scenario.by_movement(repeat_sd, scenario.REPEAT_SD),
        attachment_effect=scenario.by_movement(attachment_effect),
        movements=tuple(movements),
        heteroscedastic=heteroscedastic,
        outliers=outliers,
        skew=skew,
        site_sd=site_sd,
    )
    weights = dict(malocclusions or scenario.MALOCCLUSION_WEIGHTS)
    _check(design, patients, courses, drop_out, weights, sites, clinicians)

    rng = np.random.default_rng(seed)
    people = patients_table(rng, patients, weights, sites, clinicians)
    effects = draw_effects(rng, design, people, tuple(sites))
    rows = all_courses(rng, design, people, effects, courses, overcorrect, drop_out, unplanned)
    treatment = courses_table(rng, people, rows, effects.cooperation)
    bite = bite_changes(rows, lever)
    achieved = rows["achieved"].where(rows["measured"])
    invented = SimulatedCohort(
        movements=rows.assign(achieved=achieved)[MOVEMENT_COLUMNS].reset_index(drop=True),
        patients=people,
        courses=treatment,
        measures=measures_table(rng, people, treatment, rows, bite)
        if measures
        else pd.DataFrame(columns=MEASURE_COLUMNS),
        repeats=_repeats(rng, design, rows) if repeats else pd.DataFrame(columns=REPEAT_COLUMNS),
        truth=Truth(
            rates=_true_rates(design, rows),
            spread=_true_spread(design),
            patient_effects=_long(effects.patient, people, design.movements),
            tooth_effects=_tooth_effects(rows),
            site_effects=pd.DataFrame({"site": list(sites), "effect": effects.site}),
            bite=bite,
            lever=lever,
        ),
    )
    if bad_rows:
        return with_bad_rows(invented, seed=seed)
    return invented


def _check(
    design: Design,
    patients: int,
    courses: int,
    drop_out: float,
    weights: Mapping[str, float],
    sites: Sequence[str],
    clinicians: Sequence[str],
) -> None:
    if patients < 1 or courses < 1:
        raise InputError("patients and courses must be at least 1")
    if not design.movements or not sites or not clinicians:
        raise InputError("movements, sites and clinicians must each name at least one")
    for movement in design.movements:
        scenario.check_known(movement, NAMES, "movement")
    for name, weight in weights.items():
        scenario.check_known(name, tuple(scenario.MALOCCLUSIONS), "malocclusion")
        scenario.check_spreads(malocclusions=weight)
    if not sum(weights.values()) > 0:
        raise InputError("malocclusions: at least one weight must be above 0")
    scenario.check_shares(drop_out=drop_out, outliers=design.outliers)
    spreads = ("patient_sd", "tooth_sd", "residual_sd", "repeat_sd", "site_sd", "heteroscedastic")
    scenario.check_spreads(**{name: getattr(design, name) for name in spreads})


def _repeats(rng: np.random.Generator, design: Design, rows: pd.DataFrame) -> pd.DataFrame:
    """Two readers read some rows twice; the first reading is the one in the movements table."""
    measured = rows[rows["measured"] & (rows["course"] == 1)]
    patients = measured["patient"].unique()
    chosen = rng.choice(patients, size=min(len(patients), 15), replace=False)
    some = measured[measured["patient"].isin(chosen)]
    some = some.iloc[np.sort(rng.permutation(len(some))[: max(1, len(some) // 3)])]
    sd = reading_error(design)[some["m"].to_numpy()]
    parts = []
    for reader, bias in (("R1", 0.0), ("R2", 0.25)):
        for reading in (1, 2):
            value = some["real"] + bias * sd + rng.standard_normal(len(some)) * sd
            if reader == "R1" and reading == 1:
                value = some["achieved"]
            parts.append(some.assign(reader=reader, reading=reading, value=value))
    table = pd.concat(parts, ignore_index=True)
    decimals = by_index(DECIMALS)[table["m"].to_numpy()]
    table["value"] = rounded(table["value"].to_numpy(), decimals)
    table = table.sort_values(["p", "t", "m", "reader", "reading"], ignore_index=True)
    return table[REPEAT_COLUMNS]


def _true_rates(design: Design, rows: pd.DataFrame) -> pd.DataFrame:
    used = rows[rows["measured"] & (rows["planned"] != 0)]
    weight = used["planned"] ** 2
    keys = [used["m"].to_numpy(), TOOTH_CLASS[used["t"]]]
    mean = (used["rate"] * weight).groupby(keys).sum() / weight.groupby(keys).sum()
    lines = [
        (m, name, design.rates[m][name], mean.get((NAMES.index(m), c), np.nan))
        for m in design.movements
        for c, name in enumerate(TOOTH_CLASSES)
    ]
    return pd.DataFrame(lines, columns=["movement", "tooth_class", "rate", "mean_rate"])


def _true_spread(design: Design) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "unit": UNITS,
            "patient_sd": design.patient_sd,
            "tooth_sd": design.tooth_sd,
            "residual_sd": design.residual_sd,
            "repeat_sd": dict(zip(NAMES, reading_error(design), strict=True)),
            "attachment_effect": design.attachment_effect,
        }
    )
    return table.loc[list(design.movements)].rename_axis("movement").reset_index()


def _long(effects: np.ndarray, people: pd.DataFrame, movements: tuple[str, ...]) -> pd.DataFrame:
    wide = pd.DataFrame(effects, columns=list(NAMES))[list(movements)]
    wide.insert(0, "patient", people["patient"].to_numpy())
    return wide.melt("patient", var_name="movement", value_name="effect")


def _tooth_effects(rows: pd.DataFrame) -> pd.DataFrame:
    table = rows[["patient", "tooth", "movement", "tooth_effect"]]
    table = table.drop_duplicates(["patient", "tooth", "movement"], ignore_index=True)
    return table.rename(columns={"tooth_effect": "effect"})
