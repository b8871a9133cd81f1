"""What is kept of the study: tables as CSV, the figure, and its part of the page."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from outcomes.figures import reliability as draw_reliability
from outcomes.figures import save_figure
from outcomes.figures.base import FAINT, panels

from .. import page
from . import strategies as by
from .designs import DESIGNS
from .tables import CLOSE, FEWEST, Sums, covered, reliability, ways

__all__ = ["page_part", "write"]

WIDE, FINE = ["known", "size"], ["known", "size", "design"]
WHOLE = 2_000
"""Patients of each design and size from which the study is whole."""
JUDGED = (by.AS_AIMED, by.NEXT_MEAN, by.NEXT_BEST)


def write(sums: Sums, folder: Path, *, refused: int, fits: int) -> None:
    """Write ``ways.csv``, ``reliability.csv`` and ``ranges.csv`` into ``folder``, the figure, and the
    part of README.md beside it."""
    for name, table in tables(sums).items():
        table.to_csv(folder / f"{name}.csv", index=False, float_format="%.4f")
    draw(sums, folder / "reliability")
    text = page_part(sums, refused=refused, fits=fits)
    page.replace_part(folder.parent / "README.md", "next course", text)


def tables(sums: Sums) -> dict[str, pd.DataFrame]:
    """All tables, of all designs together (design "all") and of each."""
    all_ways = [ways(sums, keys) for keys in (WIDE, FINE)]
    ranges = [
        covered(sums, keys, strategy=plan).assign(plan=plan)
        for keys in (WIDE, FINE)
        for plan in JUDGED
    ]
    reliable = [
        reliability(sums, keys, strategy=plan, chance=chance).assign(plan=plan, chance=chance)
        for keys in (WIDE, FINE)
        for plan in JUDGED
        for chance in ("within", "over")
    ]
    return {
        "ways": _together(all_ways).drop(columns="order"),
        "ranges": _together(ranges),
        "reliability": _together(reliable),
    }


def _together(parts: list[pd.DataFrame]) -> pd.DataFrame:
    table = pd.concat(parts, ignore_index=True)
    design = table.pop("design").fillna("all")
    table.insert(0, "design", design)
    return table


def draw(sums: Sums, stem: Path) -> None:
    """Stated chances against landed: new and known patients, by size, all designs and each."""
    axes = panels(6, 7.2, 5.2, 3)
    fine = reliability(sums, FINE)
    wide = reliability(sums, WIDE)
    sizes = sorted(wide["size"].unique())
    for k, (known, size) in enumerate((known, size) for known in (False, True) for size in sizes):
        one = _drawn(fine, known, size)
        axes[k].plot(100 * one["stated"], 100 * one["landed"], ".", ms=3, color=FAINT, zorder=0)
        draw_reliability(_drawn(wide, known, size), axes[k], "chance of landing")
        axes[k].set_title(f"{'Known' if known else 'New'}, {size} past patients", fontsize=8)
    save_figure(axes, stem, ["svg"])


def _drawn(table: pd.DataFrame, known: bool, size: int) -> pd.DataFrame:
    part = table[(table["known"] == known) & (table["size"] == size)]
    part = part[part["predictions"] >= FEWEST]
    return part.assign(se=part["mc_se"], n=part["predictions"])


def page_part(sums: Sums, *, refused: int, fits: int) -> str:
    """The tables of the page."""
    every = ways(sums, WIDE)
    parts = [
        _lines_of_extent(every, ways(sums, FINE), refused, fits),
        "**Designs**",
        _table(pd.DataFrame({"design": list(DESIGNS), "what": [d.what for d in DESIGNS.values()]})),
        "**Second course of known patients, all designs: what is left, in tolerances (0.5 mm, 2°)**",
        _ways_table(every[every["known"]]),
        "**First course of new patients, all designs**",
        _ways_table(every[~every["known"]]),
        f"**Known patients by design: how much more \\|aim - result\\| than {by.NEXT_BEST!r}, in tolerances "
        "(in italics: less, by more than two errors)**",
        _by_design(sums, "missed", by.NEXT_BEST),
        f"**Known patients by design: how much more shortfall than {by.NEXT_MEAN!r}, in tolerances (in "
        "italics likewise)**",
        _by_design(sums, "short", by.NEXT_MEAN),
        "**Overshoot of the next course's best chance, percent: stated → landed ± error**",
        _overshoot(covered(sums, FINE)),
        "**Chance of landing within tolerance, best-chance plans: landed - stated, points ± error, by tenth "
        "of the stated chance**",
        _tenths(reliability(sums, WIDE)),
        f"**Tenths of one design and size with at least {FEWEST} predictions that are more than "
        f"{100 * CLOSE:.0f} points off**",
        _off(sums),
    ]
    return "\n\n".join(parts)


def _lines_of_extent(every: pd.DataFrame, fine: pd.DataFrame, refused: int, fits: int) -> str:
    own = every[every["known"] & (every["strategy"] == by.NEXT_BEST)]
    patients = ", ".join(
        f"{row['patients']:,} with {row['size']} past patients" for row in own.to_dict("records")
    )
    fine = fine[fine["known"] & (fine["strategy"] == by.NEXT_BEST)]
    fewest, most, designs = fine["patients"].min(), fine["patients"].max(), fine["design"].nunique()
    whole = (
        "" if fewest >= WHOLE else f" The study is whole at {WHOLE:,}: it was stopped before that."
    )
    return (
        f"Known patients with a second course, over {designs} of {len(DESIGNS)} designs: {patients}; "
        f"{fewest:,} to {most:,} of each design and size.{whole} "
        f"{fits:,} cohorts were learnt from, {refused:,} of them refused. Errors are Monte-Carlo "
        "standard errors over practices; differences are paired by practice."
    )


def _ways_table(table: pd.DataFrame) -> str:
    table = table.sort_values(["size", "order"])
    shown = pd.DataFrame(
        {
            "past patients": table["size"],
            "plan": table["strategy"],
            "\\|aim - result\\|": _number(table, "missed"),
            "more than next course": _number(table, "more_missed", "+.3f"),
            "shortfall": _number(table, "short"),
            "within, %": _percent(table, "within"),
            "over, %": _percent(table, "over"),
            "over stated, %": [
                "" if pd.isna(value) else f"{100 * value:.1f}" for value in table["stated_over"]
            ],
            "declined, %": (100 * table["declined"]).map("{:.1f}".format),
        }
    )
    return _table(shown)


def _by_design(sums: Sums, value: str, against: str) -> str:
    """How much more than ``against`` each strategy leaves, by design and size."""
    table = ways(sums, FINE, against)
    table = table[table["known"]]
    own = table[table["strategy"] == against]
    said = [
        f"*{text}*" if row[f"more_{value}"] < -2 * row[f"more_{value}_se"] else text
        for text, row in zip(
            _number(table, f"more_{value}", "+.3f"), table.to_dict("records"), strict=True
        )
    ]
    place = ["size", "design"]
    shown = table.assign(said=said).pivot(index=place, columns="strategy", values="said")
    first = own.assign(first=_number(own, value)).set_index(place)["first"]
    shown = shown[[name for name in by.STRATEGIES if name != against]]
    shown.insert(0, f"{against} leaves", first)
    rows = [(size, design) for size in sorted(set(own["size"])) for design in DESIGNS]
    shown = shown.reindex([row for row in rows if row in shown.index])
    return _table(shown.reset_index().rename(columns={"size": "past patients"}))


def _overshoot(table: pd.DataFrame) -> str:
    said = [
        f"{100 * row['stated_over']:.1f} → {100 * row['told_over']:.1f} ± {100 * row['gap_over_se']:.1f}"
        for row in table.to_dict("records")
    ]
    return _wide(table.assign(said=said))


def _wide(table: pd.DataFrame) -> str:
    column = [
        f"{'known' if known else 'new'}, {size}"
        for known, size in zip(table["known"], table["size"], strict=True)
    ]
    shown = table.assign(column=column).pivot(index="design", columns="column", values="said")
    order = list(dict.fromkeys(column))
    return _table(shown.loc[[d for d in DESIGNS if d in shown.index], order].reset_index())


def _tenths(table: pd.DataFrame) -> str:
    table = table[table["predictions"] >= FEWEST]
    said = [
        f"{100 * row['difference']:+.1f} ± {100 * row['mc_se']:.1f} ({row['predictions']:,})"
        for row in table.to_dict("records")
    ]
    column = [
        f"{'known' if known else 'new'}, {size}"
        for known, size in zip(table["known"], table["size"], strict=True)
    ]
    named = table.assign(said=said, column=column, stated=[f"0.{k}" for k in table["tenth"]])
    shown = named.pivot(index="stated", columns="column", values="said").fillna("")
    return _table(shown[list(dict.fromkeys(column))].reset_index())


def _off(sums: Sums) -> str:
    lines = []
    for chance in ("within", "over"):
        table = reliability(sums, FINE, chance=chance)
        table = table[table["predictions"] >= FEWEST]
        for (known, size), part in table.groupby(["known", "size"]):
            off = part["difference"].abs() - CLOSE
            worst = part.loc[off.idxmax()]
            lines.append(
                {
                    "chance": chance,
                    "patients": "known" if known else "new",
                    "past patients": size,
                    "tenths": len(part),
                    "off": int((off > 0).sum()),
                    "of them by more than two errors": int((off > 2 * part["mc_se"]).sum()),
                    "furthest off": f"{worst['design']}, 0.{worst['tenth']}: "
                    f"{100 * worst['difference']:+.1f} ± {100 * worst['mc_se']:.1f}",
                }
            )
    return _table(pd.DataFrame(lines))


def _number(table: pd.DataFrame, name: str, pattern: str = ".3f") -> list[str]:
    both = zip(table[name], table[f"{name}_se"], strict=True)
    return [f"{value:{pattern}} ± {error:.3f}" for value, error in both]


def _percent(table: pd.DataFrame, name: str) -> list[str]:
    both = zip(table[name], table[f"{name}_se"], strict=True)
    return [f"{100 * value:.1f} ± {100 * error:.1f}" for value, error in both]


def _table(frame: pd.DataFrame) -> str:
    lines = ["| " + " | ".join(map(str, frame.columns)) + " |", "|" + " --- |" * len(frame.columns)]
    lines += ["| " + " | ".join(map(str, row)) + " |" for row in frame.itertuples(index=False)]
    return "\n".join(lines)
