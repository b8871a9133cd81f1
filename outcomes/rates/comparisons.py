"""What a comparison of rates is adjusted for, or why not; and which comparisons are one and the same,
as their levels go together in nearly every movement."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.errors import CannotAnswer
from outcomes.rates.design import with_derived
from outcomes.rates.fit import fit_rate
from outcomes.rates.result import RateFit

ADJUSTERS = ("size of plan", "course", "arch")
"""What a comparison is adjusted for, beside the tooth class, where the rows allow it."""

NEITHER = "none"
"""The level of a factor that says there was none."""

_ALIASED = 1e-8
"""Share of a column's square left by the columns before it, below which it adds nothing."""


class Adjusters:
    """What a comparison is adjusted for, and why the rest is not."""

    def __init__(
        self,
        rows: pd.DataFrame,
        name: str,
        factor: str,
        group: str | None,
        devices: Sequence[str],
    ) -> None:
        self.rows, self.name, self.factor, self.group = rows, name, factor, group
        self.used: dict[str, str] = {}
        self.left_out: dict[str, str] = {}
        planned = rows["planned"].to_numpy(float)
        known = [self._dummies(column) for column in (name, group) if column is not None]
        basis = planned[:, None] * np.column_stack(known)
        for label in (*ADJUSTERS, *(d for d in devices if d in rows)):
            values, reason = self._values(label)
            if reason or values is None:
                self.left_out[label] = reason
                continue
            column = planned * (values - values.mean())
            if _left_over(column, basis) <= _ALIASED:
                self.left_out[label] = f"it cannot be told from {factor} and the kind of tooth"
                continue
            basis = np.column_stack([basis, column])
            self.used[label] = f"adjuster_{len(self.used)}"
            self.rows = self.rows.assign(**{self.used[label]: values})

    def _dummies(self, column: str) -> np.ndarray:
        frame = with_derived(self.rows, [column])
        return pd.get_dummies(frame[column].astype(str)).to_numpy(float)

    def _values(self, label: str) -> tuple[np.ndarray | None, str]:
        """The column of an adjuster, or why there is none."""
        rows = self.rows
        if label == "size of plan":
            size = rows["planned"].abs().to_numpy(float)
            return (None, "all plans are of one size") if np.ptp(size) == 0 else (size, "")
        try:
            values = with_derived(rows, [label])[label]
        except CannotAnswer:
            return None, "not recorded"
        if values.isna().any():
            return None, "not recorded in every row"
        if label == "course":
            numbers = pd.to_numeric(values, errors="coerce").to_numpy(float, na_value=np.nan)
            other = numbers > 1
        else:
            other = (values.astype(str) != {"arch": "upper"}.get(label, NEITHER)).to_numpy(bool)
        if other.all() or not other.any():
            return None, "the same in every row"
        few = min(rows["patient"][where].nunique() for where in (other, ~other))
        if few < FEW_PATIENTS:
            return None, f"fewer than {FEW_PATIENTS} patients on a side of it"
        return other.astype(float), ""

    def fit(self, movement: str, level: float) -> RateFit:
        """The fit; without the adjusters where the rows are too few for them."""
        covariates = [self.name, *self.used.values()]
        how: dict[str, Any] = {"group": self.group, "level": level}
        try:
            return fit_rate(self.rows, movement, covariates=covariates, **how)
        except CannotAnswer:
            if not self.used:
                raise
        fit = fit_rate(self.rows, movement, covariates=[self.name], **how)
        for label in self.used:
            self.left_out[label] = "too few rows"
        self.used = {}
        return fit

    def words(self) -> str:
        """``tooth class, size of plan, arch``."""
        first = [] if self.group is None else [self.group.replace("_", " ")]
        return ", ".join([*first, *self.used])

    def reasons(self) -> str:
        """``course (the same in every row)``."""
        return "; ".join(f"{label} ({reason})" for label, reason in self.left_out.items())


def _left_over(column: np.ndarray, basis: np.ndarray) -> float:
    """Share of a column's square that other columns do not hold."""
    total = float(column @ column)
    if total == 0:
        return 0.0
    rest = column - basis @ np.linalg.lstsq(basis, column, rcond=None)[0]
    return float(rest @ rest) / total


TIED = 0.9
"""Share of the movements of either side that go with one level of another factor, from which two
comparisons are told as one."""

_BLANK = "\0"


@dataclass(frozen=True)
class Pair:
    """One comparison of a factor: its level against the reference."""

    factor: str
    level: str
    reference: str


@dataclass(frozen=True)
class Tie:
    """``told_with`` is the comparison that keeps the answer; ``share`` of the movements agree, on
    the side where fewer do; ``levels`` of the other factor at its two sides, in words."""

    told_with: Pair
    share: float
    levels: str


def ties(pairs: Sequence[Pair], text: Mapping[str, pd.Series]) -> dict[Pair, Tie]:
    """Comparisons that are another one under a second name.

    A comparison is tied to one of another factor where at least ``TIED`` of the movements at its
    level are on one side of the other and as many at its reference on the other side, and where
    the levels of its factor sort the movements of the other comparison as well as that. The wider
    comparison keeps the answer (a site against another rather than a clinician of either); of two
    that are alike, the one listed first.

    ``pairs`` stand in the order of preference; ``text`` has, for each factor, its level in every
    movement, missing where blank, shape (n,).
    """
    tables = _tables(text)
    order = list(text)
    found: dict[Pair, Tie] = {}
    for fine in pairs:
        for wide in pairs:
            if fine.factor == wide.factor or fine in found or wide in found:
                continue
            table = tables[fine.factor, wide.factor]
            forward = _follows(fine, wide, table)
            if forward < TIED:
                continue
            back, levels = _sorted_by(wide, table)
            if back < TIED:
                continue
            alike = _follows(wide, fine, table.T) >= TIED
            if alike and order.index(fine.factor) < order.index(wide.factor):
                continue
            found[fine] = Tie(wide, min(forward, back), levels)
    return found


def _tables(text: Mapping[str, pd.Series]) -> dict[tuple[str, str], pd.DataFrame]:
    """Movements by the levels of each two factors."""
    filled = {name: values.fillna(_BLANK).to_numpy() for name, values in text.items()}
    found = {}
    for a, b in itertools.combinations(text, 2):
        found[a, b] = pd.crosstab(filled[a], filled[b])
        found[b, a] = found[a, b].T
    return found


def _follows(pair: Pair, other: Pair, table: pd.DataFrame) -> float:
    """Smallest share, over both sides of ``pair``, of movements on its side of ``other``."""
    sides = table.loc[[pair.level, pair.reference]]
    share = sides[[other.level, other.reference]].div(sides.sum(axis=1), axis=0).to_numpy()
    return float(max(np.diag(share).min(), np.diag(share[:, ::-1]).min()))


def _sorted_by(pair: Pair, table: pd.DataFrame) -> tuple[float, str]:
    """Smallest share, over both sides of ``pair``, of movements whose level of the other factor
    (the rows of ``table``) is mostly on that side; and these levels in words."""
    both = table[[pair.level, pair.reference]]
    levels = both.drop(index=_BLANK, errors="ignore")
    levels = levels[levels.sum(axis=1) > 0]
    mostly = (levels[pair.level] > levels[pair.reference]).to_numpy(bool)
    agree = [levels[pair.level][mostly].sum(), levels[pair.reference][~mostly].sum()]
    names = [", ".join(map(str, levels.index[which])) for which in (mostly, ~mostly)]
    return float((np.array(agree) / both.sum().to_numpy()).min()), " against ".join(names)
