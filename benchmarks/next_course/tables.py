"""Tables of the study: what was stated against what landed, and what each way of planning leaves.

Standard errors count practices, not teeth: teeth of a practice share its truth and its records.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.domain.limits import beyond_tolerance, within_tolerance

from . import strategies as by

__all__ = ["as_frame", "clustered", "covered_table", "reliability_table", "strategy_table"]

FEWEST = 100
"""Predictions from which a cell of the reliability table counts."""
CLOSE = 0.04


def as_frame(design: str, size: int, records: np.ndarray) -> pd.DataFrame:
    """Records with what came of them: left, short, landed within and over; in tolerances: the rest."""
    rows = pd.DataFrame({name: records[name] for name in records.dtype.names or ()})
    miss = rows["aim"] - rows["result"]
    rows = rows.assign(design=design, size=size)
    slack = 1e-5  # of single precision
    rows["landed_within"] = within_tolerance(miss, rows["tolerance"] + slack)
    rows["landed_over"] = beyond_tolerance(-miss, rows["tolerance"] + slack)
    rows["missed"] = miss.abs() / rows["tolerance"]
    rows["short"] = np.maximum(miss, 0) / rows["tolerance"]
    return rows


def clustered(rows: pd.DataFrame, keys: list[str], stated: str, landed: str) -> pd.DataFrame:
    """Means of both by key, their difference and its standard error over practices."""
    part = rows[list(dict.fromkeys([*keys, "design", "replicate"]))].copy()
    part["n"] = 1
    part["stated"] = rows[stated].astype(float)
    part["landed"] = rows[landed].astype(float)
    cluster = [name for name in ("design", "replicate") if name not in keys]
    sums = part.groupby([*keys, *cluster], observed=True)[["n", "stated", "landed"]].sum()
    total = sums.groupby(level=keys, observed=True).sum()
    gap = (total["landed"] - total["stated"]) / total["n"]
    on = sums.index.droplevel(cluster)
    off = (sums["landed"] - sums["stated"]).to_numpy() - gap.reindex(on).to_numpy() * sums["n"]
    practices = sums.groupby(level=keys, observed=True).size()
    spread = (off**2).groupby(level=keys, observed=True).sum()
    correction = practices / np.maximum(practices - 1, 1)
    return pd.DataFrame(
        {
            "predictions": total["n"],
            "practices": practices,
            "stated": total["stated"] / total["n"],
            "landed": total["landed"] / total["n"],
            "difference": gap,
            "mc_se": np.sqrt(spread * correction) / total["n"],
        }
    ).reset_index()


def reliability_table(rows: pd.DataFrame, keys: list[str], chance: str = "within") -> pd.DataFrame:
    """Stated chance against landed, by ``keys`` and tenths of the stated chance."""
    rows = rows[rows[chance].notna()]
    tenth = np.minimum((rows[chance] * 10).astype(int), 9)
    return clustered(rows.assign(tenth=tenth), [*keys, "tenth"], chance, f"landed_{chance}")


def covered_table(rows: pd.DataFrame, keys: list[str], level: int) -> pd.DataFrame:
    """Share of results inside their prediction range, against its level."""
    rows = rows[rows["pit"].notna()]
    inside = (rows["pit"] - 0.5).abs() <= level / 200
    return clustered(rows.assign(level=level / 100, inside=inside), keys, "level", "inside")


def strategy_table(rows: pd.DataFrame, keys: list[str], against: str) -> pd.DataFrame:
    """What each strategy leaves, in tolerances, with errors over practices.

    ``missed`` is mean |left - result|, ``short`` mean shortfall, both over the tolerance; ``less`` is
    how much less ``against`` (mostly the plan with the best chance of the next course) leaves, paired
    by practice; shares within tolerance and overshot, stated and landed.
    """
    cluster = [name for name in ("design", "replicate") if name not in keys]
    values = ["missed", "short", "landed_within", "landed_over", "n"]
    part = rows.assign(n=1.0).groupby([*keys, "strategy", *cluster], observed=True)[values].sum()
    tables = []
    for strategy in sorted(rows["strategy"].unique()):
        own = part.xs(strategy, level="strategy")
        other = part.xs(by.STRATEGIES.index(against), level="strategy").reindex(own.index)
        total = own.groupby(level=keys).sum()
        on = own.index.droplevel(cluster)
        mean = total.div(total["n"], axis=0)
        table = mean[["missed", "short", "landed_within", "landed_over"]].copy()
        for value, name in (
            ("missed", "missed_se"),
            ("short", "short_se"),
            ("landed_over", "over_se"),
        ):
            table[name] = _se(
                own[value] - mean[value].reindex(on).to_numpy() * own["n"], total, keys
            )
        for value in ("missed", "short"):
            gap = own[value] - other[value]
            less = gap.groupby(level=keys).sum() / total["n"]
            table[f"less_{value}"] = less
            off = gap - less.reindex(on).to_numpy() * own["n"]
            table[f"less_{value}_se"] = _se(off, total, keys)
        mine = rows[rows["strategy"] == strategy].groupby(keys, observed=True)
        told = rows[(rows["strategy"] == strategy) & rows["over"].notna()].groupby(keys)
        table["stated_over"] = told["over"].mean()
        table["stated_within"] = told["within"].mean()
        table["told_over"] = told["landed_over"].mean()
        table["declined"] = mine["declined"].mean()
        table["teeth"] = total["n"].astype(int)
        table["patients"] = mine.apply(_patients)
        tables.append(table.assign(strategy=by.STRATEGIES[strategy]).reset_index())
    return pd.concat(tables, ignore_index=True)


def _patients(rows: pd.DataFrame) -> int:
    names = [n for n in ("design", "size", "replicate", "patient") if n in rows]
    return len(rows[names].drop_duplicates())


def _se(off: pd.Series, total: pd.DataFrame, keys: list[str]) -> pd.Series:
    grouped = (off**2).groupby(level=keys)
    count = grouped.size()
    return np.sqrt(grouped.sum() * count / np.maximum(count - 1, 1)) / total["n"]
