"""Does the rate differ by attachment, growth, clinician or site, for the same kind of tooth?

Two factors that go together in nearly every movement are one comparison: which of them makes a
difference cannot be told. Attachment against pressure point is compared as such.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.errors import CannotAnswer
from outcomes.rates.comparisons import NEITHER, TIED, Adjusters, Pair, ties
from outcomes.rates.design import with_derived
from outcomes.rates.intervals import holm
from outcomes.words.numbers import percent

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["FACTORS", "TIED", "Differences", "differences"]

FACTORS = ("attachment", "auxiliary", "growing", "clinician", "site")

DEVICES = ("attachment", "auxiliary")
"""What is chosen for a tooth; the rest of the factors belong to the patient."""

INSTEAD_OF_ATTACHMENT = ("pressure point",)
"""Auxiliaries chosen in place of an attachment (common practice, no source)."""

COLUMNS = (
    "movement",
    "factor",
    "level",
    "reference",
    "patients",
    "movements",
    "reference_patients",
    "patients_with_both",
    "not_recorded",
    "adjusted_for",
    "not_adjusted_for",
    "tied_with",
    "too_few",
    "difference",
    "se",
    "df",
    "low",
    "high",
    "p",
    "p_holm",
)

CHOSEN_COLUMNS = (
    "movement",
    "choice",
    "patients",
    "movements",
    "plan_size",
    "upper",
    "first_course",
    "tooth_class",
    "of_class",
    "clinician",
    "of_clinician",
)


@dataclass(frozen=True)
class Differences:
    """Differences between rates, and the questions without an answer.

    Attributes
    ----------
    table
        movement, factor, level, reference, patients, movements, reference_patients,
        patients_with_both (with movements on either side), not_recorded (planned movements left
        out because the factor is blank), adjusted_for, not_adjusted_for (with the reason),
        tied_with (another comparison that cannot be told from this one), too_few (fewer than
        ``FEW_PATIENTS`` patients on a side: not tested, not counted), difference, se, df, low, high, p,
        p_holm. ``difference`` is rate at the level minus rate at the reference, a share of the
        plan; ``p_holm`` is adjusted over all tested rows.
    not_recorded
        Factors without a column, or with one value everywhere.
    unanswered
        (movement, factor) to the reason why there is no comparison.
    chosen
        Who was given what, where attachments are compared with what stands in their place:
        movement, choice, patients, movements, plan_size (mean |planned|), upper, first_course
        (shares of the movements), tooth_class and clinician (the most frequent, and their shares).
    """

    table: pd.DataFrame
    not_recorded: tuple[str, ...]
    unanswered: dict[tuple[str, str], str]
    chosen: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=CHOSEN_COLUMNS))


def differences(
    cohort: Cohort | pd.DataFrame,
    factors: Sequence[str] = FACTORS,
    *,
    group: str | None = "tooth_class",
    level: float = 0.95,
) -> Differences:
    """Compare the levels of each factor with its reference level, movement by movement.

    One model for each movement and factor: the rates of ``group``, plus a change of the rate for
    each level and for the size of the plan (mm or degree), a later course and the lower arch; for
    attachments also for an auxiliary on the tooth, and the other way round. What the rows do not
    allow is left out, with the reason. The reference is "none" for attachment and auxiliary, else
    the level with most rows, among levels with at least ``FEW_PATIENTS`` patients.

    Where attachments and an auxiliary in their place (a pressure point) are both recorded, teeth
    with an attachment alone are compared with teeth with that auxiliary alone. Comparisons that
    coincide in at least ``TIED`` of the movements of either side are made once.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, tooth, movement, planned, achieved and the factors.
    factors
        Columns to compare.
    group
        What the comparison holds equal: each level of it has its own rate.
    level
        Level of the intervals; they are not adjusted for the number of comparisons.

    Returns
    -------
    Differences

    Notes
    -----
    Nobody was allocated at random: a difference is not an effect. Adjustment removes only what is
    recorded and has the form assumed (a straight line in the size of the plan). Holm: Scand J Stat
    1979;6:65–70.

    Examples
    --------
    >>> frame = pd.DataFrame({
    ...     "patient": [f"P{i // 2:03}" for i in range(32)], "tooth": [11, 12, 21, 22] * 8,
    ...     "movement": "rotation", "planned": [4.0, 6, 8, 10] * 8,
    ...     "achieved": [2.1, 3.2, 4.0, 5.3, 3.1, 4.4, 6.2, 7.4, 1.6, 3.6, 4.4, 4.1, 2.5, 3.8, 7, 7.9,
    ...                  2.4, 2.2, 4.7, 6.0, 3.9, 4.6, 5.1, 7.0, 1.3, 3.9, 3.1, 6.2, 2, 5.3, 6.6, 6.4],
    ...     "clinician": (["A"] * 4 + ["B"] * 4) * 4})
    >>> differences(frame).table[["factor", "level", "reference", "difference"]].round(1)
          factor level reference  difference
    0  clinician     B         A         0.2
    """
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    planned = frame[(frame["planned"] != 0) & frame["achieved"].notna()]
    recorded = [name for name in factors if name in planned and planned[name].nunique() > 1]
    parts: list[pd.DataFrame] = []
    unanswered: dict[tuple[str, str], str] = {}
    chosen: list[pd.DataFrame] = []
    for movement in planned["movement"].unique():
        rows = planned[planned["movement"] == movement]
        part = _Movement(rows, str(movement), recorded, group, level)
        parts += part.tables()
        unanswered |= {(str(movement), name): why for name, why in part.unanswered.items()}
        chosen += part.chosen
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)
    return Differences(
        table.assign(p_holm=holm(table["p"])).reindex(columns=list(COLUMNS)),
        tuple(name for name in factors if name not in recorded),
        unanswered,
        pd.concat(chosen, ignore_index=True) if chosen else pd.DataFrame(columns=CHOSEN_COLUMNS),
    )


class _Movement:
    """The comparisons of one movement."""

    def __init__(
        self,
        rows: pd.DataFrame,
        movement: str,
        factors: Sequence[str],
        group: str | None,
        level: float,
    ) -> None:
        self.movement, self.group, self.level = movement, group, level
        self.unanswered: dict[str, str] = {}
        self.chosen: list[pd.DataFrame] = []
        self.text = {name: _as_text(rows[name]) for name in factors}
        self.rows = rows
        self.factors = []
        for name in factors:
            if self.text[name].nunique() > 1:
                self.factors.append(name)
            else:
                self.unanswered[name] = f"{movement}: {name} has the same value in every row."
        self.pairs = {name: self._pairs(name) for name in self.factors}
        several = [p for pairs in self.pairs.values() for p in pairs if self._enough(p)]
        self.tied = ties(several, {name: self.text[name] for name in self.factors})
        self.devices_tied = {
            tie.told_with: next(p for p in (fine, tie.told_with) if p.factor == "auxiliary").level
            for fine, tie in self.tied.items()
            if {fine.factor, tie.told_with.factor} == set(DEVICES)
        }

    def tables(self) -> list[pd.DataFrame]:
        """One table for each factor with a comparison."""
        made = []
        for name in self.factors:
            try:
                made.append(self._factor(name))
            except CannotAnswer as error:
                self.unanswered[name] = str(error)
        return [*made, *self._instead()]

    # What is compared with what

    def _pairs(self, factor: str) -> list[Pair]:
        text = self.text[factor]
        patients = self.rows["patient"].groupby(text).nunique()
        rows = text.value_counts().sort_index()
        enough = rows[patients.reindex(rows.index) >= FEW_PATIENTS]
        candidates = enough if len(enough) else rows
        reference = str(candidates.idxmax())
        if factor in DEVICES and NEITHER in candidates.index:
            reference = NEITHER
        return [Pair(factor, str(name), reference) for name in rows.index if name != reference]

    def _enough(self, pair: Pair) -> bool:
        patients = self.rows["patient"].groupby(self.text[pair.factor]).nunique()
        return bool(patients[[pair.level, pair.reference]].min() >= FEW_PATIENTS)

    # One factor

    def _factor(self, factor: str) -> pd.DataFrame:
        text, pairs = self.text[factor], self.pairs[factor]
        tested = [p for p in pairs if self._enough(p)]
        own = [p for p in tested if p not in self.tied and p not in self.devices_tied]
        few = [p for p in pairs if p not in tested]
        parts = []
        if own:
            levels = [own[0].reference, *(p.level for p in tested)]
            parts.append(self._compare(text, levels, own))
        if few:
            parts.append(self._not_tested(text, few))
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)

    def _compare(
        self,
        text: pd.Series,
        levels: Sequence[str],
        pairs: Sequence[Pair],
        *,
        instead: bool = False,
    ) -> pd.DataFrame:
        """The comparisons of one factor from one fit."""
        factor = pairs[0].factor
        name = "compared_level"
        level = pd.Categorical(text.where(text.isin(levels)), list(levels))
        rows = self.rows.assign(**{name: level}).dropna(subset=name)
        others = () if instead else tuple(d for d in DEVICES if d != factor)
        adjust = Adjusters(rows, name, factor, self.group, others if factor in DEVICES else ())
        fit = adjust.fit(self.movement, self.level)
        at = [fit.design.names.index(f"{name}: {pair.level}") for pair in pairs]
        contrast = np.eye(len(fit.design.names))[at]
        table = fit.contrast_table(contrast).rename(columns={"estimate": "difference"})
        used = text.where(text.index.isin(fit.data.index))
        counts = pd.DataFrame([self._counts(used, text, pair) for pair in pairs])
        stated: dict[str, Any] = {
            "adjusted_for": adjust.words(),
            "not_adjusted_for": adjust.reasons(),
            "too_few": False,
        }
        return pd.concat([counts, table], axis=1).assign(**stated)

    def _not_tested(self, text: pd.Series, pairs: Sequence[Pair]) -> pd.DataFrame:
        counts = pd.DataFrame([self._counts(text, text, pair) for pair in pairs])
        empty = dict.fromkeys(("difference", "se", "df", "low", "high", "p"), np.nan)
        stated: dict[str, Any] = {"adjusted_for": "", "not_adjusted_for": "", "too_few": True}
        return counts.assign(**empty, **stated)

    def _counts(self, used: pd.Series, text: pd.Series, pair: Pair) -> dict[str, Any]:
        patient = self.rows["patient"]
        here, base = (set(patient[used == which]) for which in (pair.level, pair.reference))
        return {
            "movement": self.movement,
            "factor": pair.factor,
            "level": pair.level,
            "reference": pair.reference,
            "patients": len(here),
            "movements": int((used == pair.level).sum()),
            "reference_patients": len(base),
            "patients_with_both": len(here & base),
            "not_recorded": int(text.isna().sum()),
            "tied_with": self._told_with(pair),
        }

    def _told_with(self, pair: Pair) -> str:
        told = {
            fine.factor: f"{fine.factor} {tie.levels} ({_percent(tie.share)} of the movements)"
            for fine, tie in self.tied.items()
            if tie.told_with == pair
        }
        return "; ".join(told.values())

    # Attachments against what stands in their place

    def _instead(self) -> list[pd.DataFrame]:
        if not set(DEVICES) <= set(self.factors):
            return []
        attachment, auxiliary = (self.text[name] for name in DEVICES)
        alone = (attachment != NEITHER) & attachment.notna() & (auxiliary == NEITHER)
        shares = {
            self.devices_tied[t.told_with]: t.share
            for t in self.tied.values()
            if t.told_with in self.devices_tied
        }
        parts = []
        for other in dict.fromkeys((*INSTEAD_OF_ATTACHMENT, *shares)):
            in_place = (auxiliary == other) & (attachment == NEITHER)
            if not alone.any() or not in_place.any():
                continue
            text = pd.Series(pd.NA, index=attachment.index, dtype="object")
            text[alone], text[in_place] = "attachment", other
            pair = Pair("attachment or auxiliary", "attachment", other)
            patients = [self.rows["patient"][side].nunique() for side in (alone, in_place)]
            self.chosen.append(self._who(text, (pair.level, pair.reference)))
            try:
                if min(patients) < FEW_PATIENTS:
                    table = self._not_tested(text, [pair])
                else:
                    levels = (pair.reference, pair.level)
                    table = self._compare(text, levels, [pair], instead=True)
            except CannotAnswer as error:
                self.unanswered[pair.factor] = str(error)
                continue
            blank = int((attachment.isna() | auxiliary.isna()).sum())
            here, compared = text == pair.level, text.notna()
            told = [self._goes_with(here, compared, name) for name in self.factors]
            if other in shares:
                share = _percent(shares[other])
                told.insert(0, f"auxiliary {other} against none ({share} of the movements)")
            together = "; ".join(words for words in told if words)
            parts.append(table.assign(not_recorded=blank, tied_with=together))
        return parts

    def _goes_with(self, at: pd.Series, compared: pd.Series, factor: str) -> str:
        """A factor other than the devices with one level at either side, in words."""
        if factor in DEVICES:
            return ""
        text = self.text[factor]
        modes = [text[compared & side].value_counts(normalize=True) for side in (at, ~at)]
        if not all(len(m) for m in modes) or modes[0].index[0] == modes[1].index[0]:
            return ""
        share = min(float(m.iloc[0]) for m in modes)
        if share < TIED:
            return ""
        names = f"{modes[0].index[0]} against {modes[1].index[0]}"
        return f"{factor} {names} ({_percent(share)} of the movements)"

    def _who(self, text: pd.Series, levels: Sequence[str]) -> pd.DataFrame:
        """What the teeth, plans and clinicians of either choice are."""
        rows = with_derived(self.rows, ["arch", "tooth_class"])
        lines = []
        for choice in levels:
            mine = rows[(text == choice).to_numpy()]
            line = {
                "movement": self.movement,
                "choice": choice,
                "patients": mine["patient"].nunique(),
                "movements": len(mine),
                "plan_size": mine["planned"].abs().mean(),
                "upper": float((mine["arch"].astype(str) == "upper").mean()),
            }
            if "course" in mine:
                line["first_course"] = float((mine["course"] == 1).mean())
            for name, share in (("tooth_class", "of_class"), ("clinician", "of_clinician")):
                if name in mine and mine[name].notna().any():
                    counts = mine[name].astype(str)[mine[name].notna()].value_counts()
                    line |= {name: counts.index[0], share: counts.iloc[0] / counts.sum()}
            lines.append(line)
        return pd.DataFrame(lines).reindex(columns=list(CHOSEN_COLUMNS))


def _as_text(values: pd.Series) -> pd.Series:
    """Levels as text; blanks stay missing."""
    return values.astype(str).astype(object).where(values.notna(), pd.NA)


def _percent(share: float) -> str:
    """Never 100 % where a movement differs."""
    return percent(min(share, 0.99) if share < 1 else 1.0)
