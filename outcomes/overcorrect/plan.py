"""What to plan for a new patient's aims, what to expect of it, and when the records cannot say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.cohort.problems import gather, problem_frame
from outcomes.domain.limits import limit, require_known
from outcomes.domain.teeth import Notation
from outcomes.domain.tolerance import within_tolerance
from outcomes.errors import CannotAnswer, InputError
from outcomes.overcorrect import cautions
from outcomes.overcorrect.aims import Aims, read_aims
from outcomes.overcorrect.beyond import hold_back
from outcomes.overcorrect.codes import unknown_patients
from outcomes.overcorrect.factors import bent_sentence
from outcomes.overcorrect.landing import Outlook, best_plan, plan_for_mean
from outcomes.overcorrect.outlook import Case, Known, Source
from outcomes.overcorrect.rules import Rules, Verdict, judge
from outcomes.rates.result import RateFit
from outcomes.words.cautions import PLANNING
from outcomes.words.cautions import cautions as standing_cautions

__all__ = [
    "AS_AIMED",
    "BEST",
    "DIRECT",
    "OPTIONS",
    "Plan",
    "PlanLimits",
    "prescribe",
]

AS_AIMED, DIRECT, BEST = "as aimed", "aim / rate", "best chance"
OPTIONS = (AS_AIMED, DIRECT, BEST)


@dataclass(frozen=True)
class PlanLimits:
    """What a plan must keep to; common practice, no source; all settable.

    Attributes
    ----------
    tolerance
        Near enough: mm and degree, or by movement; what is not named keeps its default, 0.5 mm and
        2 degrees (Angle Orthod 2017;87(6):809–815, doi:10.2319/022717-147.1).
    over_cap
        Largest chance of overshooting by more than the tolerance, for the best-chance plan.
    per_aligner
        mm and degree, or movement -> largest step of one aligner; what is not named keeps that of
        the schema.
    aligners
        Most aligners a course may have; None for no limit.
    days_per_aligner
        Wear interval, days; a days column of the aims goes first.
    """

    tolerance: Mapping[str, float] = field(default_factory=dict)
    over_cap: float = 0.10
    per_aligner: Mapping[str, float] = field(default_factory=dict)
    aligners: int | None = None
    days_per_aligner: float = 7.0

    def __post_init__(self) -> None:
        if not 0 < self.over_cap < 1:
            raise InputError(f"over_cap must lie between 0 and 1, not {self.over_cap}.")
        require_known("tolerance", self.tolerance)
        require_known("per_aligner", self.per_aligner)
        if not self.days_per_aligner > 0 or (self.aligners is not None and self.aligners < 1):
            raise InputError("Days and aligners must be above 0.")

    def near(self, movement: str, unit: str) -> float:
        """The tolerance of a movement, in its unit."""
        return limit("tolerance", movement, unit, self.tolerance)

    def step(self, movement: str) -> float:
        """The largest step of one aligner."""
        return limit("per_aligner", movement, None, self.per_aligner)


@dataclass(frozen=True)
class Plan:
    """Prescriptions for aims, with what to expect and what to look at.

    Attributes
    ----------
    aims
        One row for each aim: row, patient, tooth, movement, unit, aim, group, rate, factor, low,
        high, kind, verdict, why, more_patients, patients, movements, tolerance, cautions.
    options
        Three rows for each aim, option "as aimed", "aim / rate" (the factor, capped) and "best
        chance" (best chance of landing within the tolerance under the cap on overshooting):
        planned, expected, low_80, high_80, low_95, high_95 (mm or degrees, signed; ranges of the
        next measured result), within, over (chances), aligners, days. There are no numbers where
        the verdict is "not supported" or "beyond the records", nor for an aim / rate that alone
        lies beyond the records.
    problems
        What was wrong with the aims: table, row, column, value, problem, remedy, severity.
    limits, rules
        The limits that were kept.
    sources
        The fits, by movement.
    standing
        The cautions that go with every plan.
    """

    aims: pd.DataFrame
    options: pd.DataFrame
    problems: pd.DataFrame
    limits: PlanLimits
    rules: Rules
    sources: Mapping[str, Source]
    source: str

    @property
    def patients(self) -> list[str]:
        """The patients of the aims, in their order; "NEW" for one who is not named."""
        return list(dict.fromkeys(self.aims["patient"].astype(str)))

    def of_patient(self, patient: str) -> Plan:
        """What belongs to one patient; problems of rows that name no patient of the plan as well.

        Raises
        ------
        InputError
            If the plan has no such patient.
        """
        if patient not in self.patients:
            raise InputError(f"No aim is of {patient}; the aims are of {', '.join(self.patients)}.")
        aims = self.aims[self.aims["patient"] == patient]
        problems = self.problems
        if "patient" in problems:
            others = [name for name in self.patients if name != patient]
            problems = problems[~problems["patient"].isin(others)]
        options = self.options[self.options["at"].isin(aims.index)]
        return replace(self, aims=aims, options=options, problems=problems)

    @property
    def standing(self) -> tuple[str, ...]:
        """The cautions that go with every plan."""
        return tuple(standing_cautions(*PLANNING))

    @property
    def table(self) -> pd.DataFrame:
        """One row for each aim with both prescriptions side by side."""
        wide = self.aims[["row", "patient", "tooth", "movement", "unit", "aim", "verdict"]]
        for option, name in ((DIRECT, "direct"), (BEST, "best")):
            rows = self.options[self.options["option"] == option].set_index("at")
            for column in ("planned", "expected", "low_80", "high_80", "low_95", "high_95"):
                wide = wide.assign(**{f"{name}_{column}": rows[column].reindex(wide.index)})
            for column in ("within", "over", "aligners", "days"):
                wide = wide.assign(**{f"{name}_{column}": rows[column].reindex(wide.index)})
        plain = self.options[self.options["option"] == AS_AIMED].set_index("at")
        return wide.assign(
            as_aimed_within=plain["within"].reindex(wide.index),
            why=self.aims["why"],
            cautions=self.aims["cautions"],
        )

    @property
    def aligners(self) -> pd.DataFrame:
        """option, aligners, days: of the slowest tooth, as all teeth move at once."""
        known = self.options.dropna(subset=["aligners"])
        table = known.groupby("option", sort=False)[["aligners", "days"]].max().reset_index()
        return table.astype({"aligners": "int64"})

    def plot(self, movement: str | None = None, ax: Any = None) -> Any:
        """Aim against plan with the chance of landing shaded; returns the Axes."""
        from outcomes.figures.overcorrection import chance_map

        return chance_map(self, movement, ax=ax)

    def __repr__(self) -> str:
        columns = ["tooth", "movement", "aim", "verdict", "direct_planned", "best_planned"]
        shown = self.table[[*columns, "best_expected", "best_within", "best_over"]]
        lines = [shown.to_string(index=False, float_format="{:.2f}".format)]
        for row in self.aims.itertuples():
            lines.append(f"{row.tooth} {row.movement}: {row.why} {row.cautions}".strip())
        return "\n".join([*lines, *self.standing])

    def _repr_html_(self) -> str:
        from html import escape

        table = self.table.drop(columns=["why", "cautions"])
        body = table.to_html(index=False, float_format="{:.2f}".format, border=0, na_rep="–")
        said = "".join(
            f"<li>{escape(f'{r.tooth} {r.movement}: {r.why} {r.cautions}'.strip())}</li>"
            for r in self.aims.itertuples()
        )
        standing = "".join(f"<li>{escape(text)}</li>" for text in self.standing)
        return f"{body}<ul>{said}</ul><p>Always:</p><ul>{standing}</ul>"


def prescribe(
    fit: RateFit | Mapping[str, RateFit],
    aims: pd.DataFrame | str | Path | Aims,
    *,
    limits: PlanLimits | None = None,
    rules: Rules | None = None,
    notation: Notation | None = None,
    towards: tuple[str, ...] = ("tooth_class",),
) -> Plan:
    """Two prescriptions for each aim, with what to expect and the chances of landing.

    Parameters
    ----------
    fit
        A fit (``fit_rate``), or several by movement (``fit_rates``).
    aims
        A frame, or the path of a spreadsheet or CSV file: tooth, aim (mm or degrees, signed as in
        the cohort), movement (unless one fit is given), and the columns the rates depend on,
        as attachment; perhaps days (per aligner) and patient. The aims of a patient of the cohort
        use what is known of that patient.
    limits
        Tolerance, cap on overshooting, steps of one aligner, days.
    rules
        When a factor is supported.
    notation
        How teeth are numbered in the aims.
    towards
        What single-tooth rates are pooled towards, for a fit by tooth.

    Returns
    -------
    Plan

    Raises
    ------
    CohortError
        If no aim can be used; lists every problem.

    Notes
    -----
    No plan is made for an aim whose size, or whose safer plan, lies beyond the records: larger than
    the schema expects of any movement (6 mm, 60 degrees), or more than twice the largest past plan
    in its direction (common practice, no source). The verdict on an aim, and whether a plan goes
    beyond the past ones, are those of the safer plan.

    A patient code that differs from that of a past patient in its writing only ("C5", "C005") is
    not used, but listed in ``problems`` with the codes that come near.

    achieved at plan x ~ rate x ± t sqrt((var_rate + var_patient + var_tooth) x² + var_residual).
    The chances are of what the next scan will show, its measurement error included, and hold for a
    patient and a tooth like those of the cohort.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> past = simulate_rates(40, seed=1, movement="vertical", rates=0.55)
    >>> plan = prescribe(fit_rate(past), pd.DataFrame({"tooth": [31, 16], "aim": [-1.5, 0.6]}))
    >>> plan.table[["tooth", "direct_planned", "best_planned", "best_expected"]].round(1)
       tooth  direct_planned  best_planned  best_expected
    0     31            -2.7          -2.6           -1.4
    1     16             1.1           1.1            0.6
    """
    limits, rules = limits or PlanLimits(), rules or Rules()
    fits = _by_movement(fit)
    only = next(iter(fits)) if len(fits) == 1 else None
    read = aims if isinstance(aims, Aims) else read_aims(aims, movement=only, notation=notation)
    sources = {name: Source.of(one, towards) for name, one in fits.items()}
    bent = {name: bent_sentence(one, rules) for name, one in fits.items()}
    past = {str(p) for one in fits.values() for p in one.design.patient_labels}
    found, same = unknown_patients(read.rows, past)
    known: dict[int, tuple[Case, Known]] = {}
    asked: dict[tuple[str, Case, float], Known] = {}
    declined: dict[int, str] = {}
    unusable: list[int] = []
    for at, aim in read.rows.iterrows():
        index = int(str(at))
        if index in same:
            unusable.append(index)
            continue
        source = sources.get(str(aim["movement"]))
        if source is None:
            declined[index] = f"The past cases hold no rates of {aim['movement']}."
            continue
        missing = [c for c in source.columns if c not in (*aim.index, "direction")]
        if missing:
            found.append(_lacks(aim, missing))
            unusable.append(index)
            continue
        try:
            case = source.case(aim)
            size = abs(float(aim["aim"])) if source.depends_on_size else 1.0
            key = (str(aim["movement"]), case, size)
            if key not in asked:
                asked[key] = source.known(case, size)
            known[index] = (case, asked[key])
        except CannotAnswer as error:
            declined[index] = str(error)
    rows = read.rows.drop(index=unusable)
    found += _odd_days(rows, limits)
    verdicts = {
        at: _judge(what, rules, bent[str(rows.loc[at, "movement"])])
        for at, (_, what) in known.items()
    }
    options = _options(rows, sources, known, verdicts, limits, rules)
    options, beyond, no_direct = hold_back(
        rows,
        options,
        {at: what.largest for at, (_, what) in known.items()},
        (DIRECT, BEST),
    )
    shown = options[options["option"] == BEST].set_index("at")["planned"].abs()
    for index, (_, what) in known.items():
        if shown[index] > what.largest * (1 + 1e-9):
            movement = str(rows.loc[index, "movement"])
            verdicts[index] = _judge(what, rules, bent[movement], _BEYOND)
    said = _said(rows, known, verdicts, options, limits, rules, beyond, no_direct)
    return Plan(
        aims=_aims_table(
            rows, known, verdicts, declined | beyond, set(beyond), said, limits, rules
        ),
        options=options,
        problems=_named(gather([read.problems, *found]), read.rows),
        limits=limits,
        rules=rules,
        sources=sources,
        source=read.source,
    )


def _by_movement(fit: RateFit | Mapping[str, RateFit]) -> dict[str, RateFit]:
    if isinstance(fit, Mapping):
        if not fit:
            raise CannotAnswer("No fit: there is no movement whose rates are known.")
        return dict(fit)
    if fit.movement is None:
        raise CannotAnswer(
            "The fit does not say which movement it is of: give fit_rate a frame with the column "
            "movement, or movement=."
        )
    return {fit.movement: fit}


def _lacks(aim: pd.Series, missing: list[str]) -> pd.DataFrame:
    names = ", ".join(missing)
    return problem_frame(
        "aims",
        int(aim["row"]),
        missing[0],
        "",
        f"the rates of {aim['movement']} depend on {names}, which the aims do not give",
        f"Add the column {names}, or fit the rates without.",
        "exclude",
    )


def _named(problems: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """With the tooth and the patient of each row that has a problem."""
    by_row = rows.drop_duplicates("row").set_index("row")
    for name in ("tooth", "patient"):
        of = by_row[name].astype(str).reindex(problems["row"]).fillna("").to_numpy(object)
        there = problems[name].astype(object).fillna("").to_numpy() if name in problems else ""
        problems[name] = np.where(there == "", of, there)
    return problems


_BEYOND = "The safer plan goes beyond every past plan in this direction, so that it is untested."
_UNTESTED = "No past plan of this kind went in this direction, so that nothing is known of it."


def _judge(known: Known, rules: Rules, bent: str, beyond: str = "") -> Verdict:
    return judge(
        known.rate,
        known.se,
        known.df,
        known.patients,
        rules,
        borrowed=known.tooth_class,
        class_patients=known.class_patients,
        bent=bent,
        records=known.records,
        untested="" if known.largest > 0 else _UNTESTED,
        beyond=beyond,
        own_movements=known.own_movements,
        own="tooth" if known.own_tooth else "patient",
    )


def _options(
    rows: pd.DataFrame,
    sources: Mapping[str, Source],
    known: Mapping[int, tuple[Case, Known]],
    verdicts: Mapping[int, Verdict],
    limits: PlanLimits,
    rules: Rules,
) -> pd.DataFrame:
    """Three rows for each aim; those of one kind of tooth share an outlook and are done at once."""
    alike: dict[tuple[str, Case], list[int]] = {}
    for at, (case, _) in known.items():
        if verdicts[at].verdict != "not supported":
            alike.setdefault((str(rows.loc[at, "movement"]), case), []).append(at)
    parts = [pd.DataFrame(columns=_OPTION_COLUMNS)]
    for (movement, case), index in alike.items():
        aims = rows.loc[index]
        size = aims["aim"].abs().to_numpy(float)
        most = rules.max_factor * size
        if limits.aligners is not None:
            most = np.minimum(most, limits.aligners * limits.step(movement))
        what = known[index[0]][1]
        outlook = sources[movement].outlook(case, float(max(most.max(), size.max())), what)
        parts.append(_for_case(aims, movement, case, outlook, most, limits))
    done = {at for index in alike.values() for at in index}
    blank = [at for at in rows.index if at not in done]
    if blank:
        numbers = [c for c in _OPTION_COLUMNS if c not in ("at", "option")]
        names = [(at, option) for at in blank for option in OPTIONS]
        parts.append(pd.DataFrame(names, columns=["at", "option"]).reindex(columns=_OPTION_COLUMNS))
        parts[-1][numbers] = parts[-1][numbers].astype(float)
    parts = [part for part in parts if len(part)] or parts[:1]
    table = pd.concat(parts, ignore_index=True)
    table["option"] = pd.Categorical(table["option"], categories=pd.Index(list(OPTIONS)))
    table = table.sort_values(["at", "option"], kind="stable", ignore_index=True)
    table["option"] = table["option"].astype(str)
    return table


_OPTION_COLUMNS = [
    "at",
    "tooth",
    "movement",
    "aim",
    "option",
    "planned",
    "expected",
    "low_80",
    "high_80",
    "low_95",
    "high_95",
    "within",
    "over",
    "aligners",
    "days",
    "held",
]


def _for_case(
    aims: pd.DataFrame,
    movement: str,
    case: Case,
    outlook: Outlook,
    most: np.ndarray,
    limits: PlanLimits,
) -> pd.DataFrame:
    size = aims["aim"].abs().to_numpy(float)
    tolerance = limits.near(movement, str(aims["unit"].iloc[0]))
    days = _days(aims, limits)
    best, held = best_plan(outlook, size, tolerance, most, limits.over_cap)
    direct = plan_for_mean(outlook, size, most)
    parts = []
    for option, plan in ((AS_AIMED, size), (DIRECT, direct), (BEST, best)):
        chances = outlook.chances(plan, size, tolerance)
        mean = outlook.at(plan)[0]
        aligners = np.maximum(np.ceil(plan / limits.step(movement) - 1e-9), 0.0)
        columns: dict[str, Any] = {
            "at": aims.index,
            "tooth": aims["tooth"].to_numpy(),
            "movement": movement,
            "aim": aims["aim"].to_numpy(float),
            "option": option,
            "planned": case.sign * plan + 0.0,  # never minus zero
            "expected": case.sign * mean + 0.0,
        }
        for level in (0.80, 0.95):
            ends = np.sort(case.sign * np.stack(outlook.range(plan, level)), axis=0)
            columns[f"low_{100 * level:.0f}"], columns[f"high_{100 * level:.0f}"] = ends
        columns |= {"within": chances.within, "over": chances.over, "aligners": aligners}
        columns |= {"days": aligners * days, "held": held if option == BEST else False}
        parts.append(pd.DataFrame(columns))
    return pd.concat(parts, ignore_index=True)


def _days(aims: pd.DataFrame, limits: PlanLimits) -> np.ndarray:
    """Days per aligner of each aim: its own, or that of the limits."""
    given = _given_days(aims)
    return np.where(given > 0, given, limits.days_per_aligner)


def _given_days(aims: pd.DataFrame) -> np.ndarray:
    name = _days_column(aims)
    if name is None:
        return np.full(len(aims), np.nan)
    return pd.to_numeric(aims[name], errors="coerce").to_numpy(float, na_value=np.nan)


def _days_column(aims: pd.DataFrame) -> str | None:
    names = ("days", "days_per_aligner", "days per aligner")
    return next((str(c) for c in aims.columns if str(c).casefold() in names), None)


def _odd_days(aims: pd.DataFrame, limits: PlanLimits) -> list[pd.DataFrame]:
    name = _days_column(aims)
    if name is None:
        return []
    odd = ~(_given_days(aims) > 0) & aims[name].notna().to_numpy() & (aims[name] != "").to_numpy()
    problem = f"not a number of days: {limits.days_per_aligner:g} are used"
    return [
        problem_frame(
            "aims", int(r), name, str(v), problem, "Write the days each aligner is worn.", "check"
        )
        for r, v in zip(aims.loc[odd, "row"], aims.loc[odd, name], strict=True)
    ]


def _aims_table(
    rows: pd.DataFrame,
    known: Mapping[int, tuple[Case, Known]],
    verdicts: Mapping[int, Verdict],
    declined: Mapping[int, str],
    beyond: set[int],
    said: Mapping[int, list[str]],
    limits: PlanLimits,
    rules: Rules,
) -> pd.DataFrame:
    records = []
    for at, aim in rows.iterrows():
        index = int(str(at))
        record: dict[str, Any] = {
            "tolerance": limits.near(str(aim["movement"]), str(aim["unit"])),
            "verdict": "not supported",
            "more_patients": rules.enough,
        }
        if index in known:
            what, verdict = known[index][1], verdicts[index]
            record |= {
                "group": what.group,
                "patients": what.patients,
                "movements": what.movements,
                "rate": what.rate,
                "factor": 1 / what.rate if what.rate else np.inf,
                "low": verdict.interval.low,
                "high": verdict.interval.high,
                "kind": verdict.interval.kind,
                "verdict": verdict.verdict,
                "why": verdict.why,
                "more_patients": verdict.more_patients,
            }
            if index in beyond:
                record |= {"verdict": cautions.BEYOND, "why": declined[index]}
        else:
            record["why"] = f"{declined[index]} {rules.enough} patients with such movements are "
            record["why"] += "needed for a firm factor."
        records.append({**record, "cautions": " ".join(said[index])})
    extra = pd.DataFrame(records, index=rows.index).reindex(columns=_AIM_COLUMNS)
    extra["more_patients"] = extra["more_patients"].astype("Int64")
    clash = [c for c in rows.columns if c in extra.columns]
    return pd.concat([rows.drop(columns=clash), extra], axis=1)


def _said(
    rows: pd.DataFrame,
    known: Mapping[int, tuple[Case, Known]],
    verdicts: Mapping[int, Verdict],
    options: pd.DataFrame,
    limits: PlanLimits,
    rules: Rules,
    beyond: Mapping[int, str],
    no_direct: Mapping[int, str],
) -> dict[int, list[str]]:
    """Cautions of each aim: those of its numbers, where it has some, then the clinical ones."""
    by_aim = {int(str(at)): part.set_index("option") for at, part in options.groupby("at")}
    found = {}
    for at, aim in rows.iterrows():
        index = int(str(at))
        said = cautions.clinical(
            str(aim["movement"]), str(aim["tooth_class"]), str(aim["arch"]), aim["aim"]
        )
        if index in known and index not in beyond and verdicts[index].verdict != "not supported":
            numbers = _said_of(aim, known[index][1], by_aim[index], limits, rules)
            said = [*filter(None, [no_direct.get(index, "")]), *numbers, *said]
        found[index] = said
    return found


_AIM_COLUMNS = [
    "group",
    "patients",
    "movements",
    "rate",
    "factor",
    "low",
    "high",
    "kind",
    "verdict",
    "why",
    "more_patients",
    "tolerance",
    "cautions",
]


def _said_of(
    aim: pd.Series, known: Known, options: pd.DataFrame, limits: PlanLimits, rules: Rules
) -> list[str]:
    """Cautions that follow from the numbers of one aim; each names the plan that it is about."""
    movement, unit = str(aim["movement"]), str(aim["unit"])
    size = abs(float(aim["aim"]))
    mark = " mm" if unit == "mm" else "°"
    tolerance = limits.near(movement, unit)
    direct, best = options.loc[DIRECT], options.loc[BEST]
    said = []
    if known.own_movements:
        plural = "movement" if known.own_movements == 1 else "movements"
        said.append(
            f"Uses this patient's own {known.own_movements} past {plural} beside those of others."
        )
    far = known.largest * (1 + 1e-9)
    for name, planned in (("The safer plan", best["planned"]), ("Aim / rate", direct["planned"])):
        if abs(planned) > far:
            said.append(
                f"{name} ({abs(planned):.3g}{mark}) is larger than any past plan of this kind in this "
                f"direction (largest {known.largest:.3g}{mark}): an extrapolation."
            )
    if within_tolerance(size, tolerance):
        said.append(
            f"The aim is within the tolerance of {tolerance:g}{mark}: leaving the tooth alone would "
            "count as landing too."
        )
    course = np.inf if limits.aligners is None else limits.aligners * limits.step(movement)
    if abs(direct["planned"]) >= course * (1 - 1e-6):
        said.append(
            f"Held at what {limits.aligners} aligners allow ({course:.3g}{mark}): expect "
            f"{abs(direct['expected']):.2g}{mark} of {size:.3g}{mark}."
        )
    elif abs(direct["expected"]) < size * (1 - 1e-3) and known.rate * rules.max_factor >= 1:
        capped = abs(direct["planned"]) >= rules.max_factor * size * (1 - 1e-6)
        where = f"At the cap of {rules.max_factor:g} times the aim" if capped else "At the most"
        said.append(f"{where}, expect {abs(direct['expected']):.2g}{mark} of {size:.3g}{mark}.")
    if best["over"] > limits.over_cap + 1e-3:
        said.append(
            f"The chance of overshooting is {100 * best['over']:.0f} % at the least, above the cap "
            f"of {100 * limits.over_cap:.0f} %."
        )
    elif best["held"]:
        said.append(
            f"The cap of {100 * limits.over_cap:.0f} % on overshooting holds the safer plan down."
        )
    if best["within"] < 0.5:
        said.append(
            f"More likely than not to miss by over {tolerance:g}{mark}: plan for a further course."
        )
    return said
