"""Comparisons of different factors that are one: the levels go together in nearly every movement."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

__all__ = ["TIED", "Pair", "Tie", "ties"]

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
