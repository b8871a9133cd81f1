"""Tables of the study: what was stated against what landed, and what each way of planning leaves.

Standard errors count practices, not teeth: teeth of a practice share its truth and its records. All
tables are therefore made from sums by practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.domain.limits import beyond_tolerance, within_tolerance

from . import strategies as by

__all__ = ["CLOSE", "FEWEST", "Sums", "covered", "reliability", "ways"]

FEWEST = 100
"""Predictions from which a cell of the reliability table counts."""
CLOSE = 0.04
"""Largest difference of a stated and a landed chance that is asked for."""

PRACTICE = ["design", "size", "replicate"]
_SLACK = 1e-5  # of single precision


@dataclass(frozen=True)
class Sums:
    """Sums by practice.

    Attributes
    ----------
    ways
        By practice, known and strategy: n, patients; missed and short (|aim - result| and shortfall, in
        tolerances), within, over, declined; told (n with a stated distribution) and, of those, in_80,
        in_95, stated_within, stated_over, told_within, told_over.
    tenths
        By practice, known, strategy, chance and tenth of the stated chance: n, stated, landed.
    """

    ways: pd.DataFrame
    tenths: pd.DataFrame

    @classmethod
    def of(cls, design: str, size: int, records: np.ndarray) -> Sums:
        """From the records of practices (`study.RECORD`)."""
        rows = pd.DataFrame({name: records[name] for name in records.dtype.names or ()})
        miss = (rows["aim"] - rows["result"]).astype(float)
        tolerance = rows["tolerance"].astype(float)
        told = rows["within"].notna()
        rows = rows.assign(
            n=1,
            missed=miss.abs() / tolerance,
            short=np.maximum(miss, 0) / tolerance,
            stated_within=rows["within"].fillna(0.0).astype(float),
            stated_over=rows["over"].fillna(0.0).astype(float),
            within=within_tolerance(miss, tolerance + _SLACK),
            over=beyond_tolerance(-miss, tolerance + _SLACK),
            told=told,
        )
        apart = (rows["pit"].astype(float) - 0.5).abs()
        rows = rows.assign(
            in_80=apart <= 0.4,
            in_95=apart <= 0.475,
            told_within=rows["within"] & told,
            told_over=rows["over"] & told,
        )
        keys = ["replicate", "known", "strategy"]
        values = ["n", "missed", "short", "within", "over", "declined", "told", "in_80", "in_95"]
        values += ["stated_within", "stated_over", "told_within", "told_over"]
        ways = rows.groupby(keys)[values].sum()
        ways["patients"] = rows.groupby(keys)["patient"].nunique()
        judged = [by.STRATEGIES.index(one) for one in (by.AS_AIMED, by.NEXT_MEAN, by.NEXT_BEST)]
        rows = rows[told & rows["strategy"].isin(judged)]
        parts = []
        for chance in ("within", "over"):
            stated = rows[f"stated_{chance}"]
            part = rows.assign(
                stated=stated,
                landed=rows[chance],
                tenth=np.minimum((stated * 10).astype(int), 9),
                chance=chance,
            )
            parts.append(part.groupby([*keys, "chance", "tenth"])[["n", "stated", "landed"]].sum())
        return cls(
            ways.reset_index().assign(design=design, size=size),
            pd.concat(parts).reset_index().assign(design=design, size=size),
        )

    @classmethod
    def together(cls, parts: list[Sums]) -> Sums:
        """Of all practices."""
        return cls(
            pd.concat([part.ways for part in parts], ignore_index=True),
            pd.concat([part.tenths for part in parts], ignore_index=True),
        )


def ratio(sums: pd.DataFrame, keys: list[str], top: str, below: str = "n") -> pd.DataFrame:
    """Ratio of sums by key, and its standard error over practices: columns value and se."""
    sums = sums.groupby([*keys, *(p for p in PRACTICE if p not in keys)])[[top, below]].sum()
    sums = sums.astype(float)
    grouped = sums.groupby(level=keys)
    total = grouped.sum()
    value = total[top] / total[below]
    back = sums.join(value.rename("value"), on=keys)
    off = (back[top] - back["value"] * back[below]) ** 2
    practices = grouped.size()
    spread = off.groupby(level=keys).sum() * practices / np.maximum(practices - 1, 1)
    return pd.DataFrame({"value": value, "se": np.sqrt(spread) / total[below]})


def reliability(
    sums: Sums, keys: list[str], *, strategy: str = by.NEXT_BEST, chance: str = "within"
) -> pd.DataFrame:
    """Stated against landed by ``keys`` (of known, size, design) and tenth of the stated chance.

    Columns: predictions, practices, stated, landed, difference (landed - stated) and mc_se (its
    standard error over practices; too small where they are few).
    """
    own = sums.tenths
    own = own[(own["strategy"] == by.STRATEGIES.index(strategy)) & (own["chance"] == chance)]
    own = own.assign(gap=own["landed"] - own["stated"])
    keys = [*keys, "tenth"]
    gap = ratio(own, keys, "gap")
    total = own.groupby(keys)[["n", "stated", "landed"]].sum()
    return pd.DataFrame(
        {
            "predictions": total["n"].astype(int),
            "practices": own.drop_duplicates([*keys, *PRACTICE]).groupby(keys).size(),
            "stated": total["stated"] / total["n"],
            "landed": total["landed"] / total["n"],
            "difference": gap["value"],
            "mc_se": gap["se"],
        }
    ).reset_index()


def covered(sums: Sums, keys: list[str], *, strategy: str = by.NEXT_BEST) -> pd.DataFrame:
    """By ``keys``: predictions, share of results inside the 80 and 95 % range, all chances stated and
    landed, each difference with its error over practices."""
    own = sums.ways[sums.ways["strategy"] == by.STRATEGIES.index(strategy)]
    own = own[own["told"] > 0]
    own = own.assign(
        gap_within=own["told_within"] - own["stated_within"],
        gap_over=own["told_over"] - own["stated_over"],
    )
    table = pd.DataFrame({"predictions": own.groupby(keys)["told"].sum().astype(int)})
    for name in ("in_80", "in_95", "gap_within", "gap_over"):
        found = ratio(own, keys, name, "told")
        table[name], table[f"{name}_se"] = found["value"], found["se"]
    for name in ("stated_within", "told_within", "stated_over", "told_over"):
        table[name] = own.groupby(keys)[name].sum() / table["predictions"]
    return table.reset_index()


def ways(sums: Sums, keys: list[str], against: str = by.NEXT_BEST) -> pd.DataFrame:
    """What each strategy leaves, by ``keys`` (known among them, size, design) and strategy.

    ``missed`` is the mean of |aim - result|, ``short`` the mean shortfall, both in tolerances;
    ``within`` and ``over`` the shares within and beyond it; ``more_missed`` and ``more_short`` how much
    more than ``against`` is left, paired by practice; each with its error (``_se``) over practices.
    """
    rows = sums.ways
    other = rows[rows["strategy"] == by.STRATEGIES.index(against)]
    pair = [*PRACTICE, "known"]
    joined = rows.merge(other[[*pair, "missed", "short"]], on=pair, suffixes=("", "_other"))
    joined = joined.assign(
        more_missed=joined["missed"] - joined["missed_other"],
        more_short=joined["short"] - joined["short_other"],
    )
    keys = [*keys, "strategy"]
    grouped = rows.groupby(keys)
    table = pd.DataFrame(
        {"teeth": grouped["n"].sum().astype(int), "patients": grouped["patients"].sum().astype(int)}
    )
    for name in ("missed", "short", "within", "over", "declined"):
        found = ratio(rows, keys, name)
        table[name], table[f"{name}_se"] = found["value"], found["se"]
    for name in ("more_missed", "more_short"):
        found = ratio(joined, keys, name)
        table[name], table[f"{name}_se"] = found["value"], found["se"]
    told = rows[rows["told"] > 0].groupby(keys)[["told", "stated_over", "told_over"]].sum()
    table["stated_over"] = told["stated_over"] / told["told"]
    table["told_over"] = told["told_over"] / told["told"]
    table = table.reset_index()
    return table.assign(
        strategy=[by.STRATEGIES[k] for k in table["strategy"]], order=table["strategy"]
    )
