"""The two tables as they are printed while an engine is tuned."""

from __future__ import annotations

import numpy as np
import pandas as pd

from . import strategies as by
from .tables import CLOSE, FEWEST, Sums, covered, reliability, ways

__all__ = ["print_reliability", "print_ways"]

WIDE, FINE = ["known", "size"], ["known", "size", "design"]


def print_reliability(sums: Sums, plan: str) -> None:
    """Landed minus stated by tenths of the stated chance, in points; ranges."""
    for chance in ("within", "over"):
        print(
            f"\nReliability, chance {chance}, plan {plan!r}: landed - stated in points ± MC error "
            f"(count); tenths with {FEWEST} predictions or more; * beyond {100 * CLOSE:.0f} points"
        )
        found = []
        for keys in (WIDE, FINE):
            table = reliability(sums, keys, strategy=plan, chance=chance)
            table = table[table["predictions"] >= FEWEST]
            found.append(table)
            whole = covered(sums, keys, strategy=plan)
            for row in whole.to_dict("records"):
                part = table
                for name in keys:
                    part = part[part[name] == row[name]]
                everything = (
                    f"{100 * row[f'stated_{chance}']:.1f}→{100 * row[f'told_{chance}']:.1f} "
                    f"± {100 * row[f'gap_{chance}_se']:.1f}"
                )
                print(f"{_label(row):32s} {_line(part)}  all {everything}")
        for keys, table in zip((WIDE, FINE), found, strict=True):
            _print_sum(keys, table)
    print("\nPrediction ranges: share of results inside, percent ± MC error")
    for keys in (WIDE, FINE):
        for row in covered(sums, keys, strategy=plan).to_dict("records"):
            said = " ".join(
                f"{level}: {100 * row[f'in_{level}']:5.1f} ± {100 * row[f'in_{level}_se']:.1f}"
                for level in (80, 95)
            )
            print(f"{_label(row):32s} {said}  ({row['predictions']})")


def _print_sum(keys: list[str], table: pd.DataFrame) -> None:
    for known, part in table.groupby("known"):
        off = part["difference"].abs() - CLOSE
        square = part["difference"] ** 2 - part["mc_se"] ** 2
        net = float(np.average(square, weights=part["predictions"]))
        print(
            f"{'known' if known else 'new'}, {len(part)} tenths by {', '.join(keys[1:])}: "
            f"{(off > 0).sum()} beyond {100 * CLOSE:.0f} points, "
            f"{(off > 2 * part['mc_se']).sum()} of them by more than 2 MC errors; root mean square "
            f"difference net of MC error {100 * np.sqrt(max(net, 0)):.1f} points"
        )


def _label(row: dict) -> str:
    who = "known" if row["known"] else "new"
    return f"{who} {row['size']:2d} {row.get('design', '(all designs)')}"


def _line(part: pd.DataFrame) -> str:
    cells = []
    for row in part.to_dict("records"):
        mark = "*" if abs(row["difference"]) > CLOSE else ""
        cells.append(
            f".{row['tenth']} {100 * row['difference']:+.1f}{mark}±{100 * row['mc_se']:.1f} "
            f"({row['predictions']})"
        )
    return "  ".join(cells)


def print_ways(sums: Sums) -> None:
    """What each strategy leaves, in tolerances."""
    for known in (False, True):
        which = "Known patients, course 2" if known else "New patients, course 1"
        print(
            f"\n{which}: |aim - result| and shortfall in tolerances (0.5 mm, 2°); within and over: "
            f"percent; more: than {by.NEXT_BEST!r}, paired; over as stated and as it came"
        )
        for keys in (WIDE, FINE):
            table = ways(sums, keys)
            table = table[table["known"] == known].sort_values([*keys[1:], "order"])
            shown = pd.DataFrame(
                {
                    **{name: table[name] for name in keys[1:]},
                    "strategy": table["strategy"],
                    "missed": table["missed"].map("{:.3f}".format),
                    "more": _signed(table, "more_missed"),
                    "short": table["short"].map("{:.3f}".format),
                    "more short": _signed(table, "more_short"),
                    "within": (100 * table["within"]).map("{:.1f}".format),
                    "over": _percent(table, "over"),
                    "over stated→landed": [
                        "" if np.isnan(s) else f"{100 * s:.1f}→{100 * t:.1f}"
                        for s, t in zip(table["stated_over"], table["told_over"], strict=True)
                    ],
                    "declined": (100 * table["declined"]).map("{:.0f}".format),
                    "patients": table["patients"],
                }
            )
            print(shown.to_string(index=False, max_rows=None))


def _signed(table: pd.DataFrame, name: str) -> pd.Series:
    return table[name].map("{:+.3f}".format) + table[f"{name}_se"].map("±{:.3f}".format)


def _percent(table: pd.DataFrame, name: str) -> pd.Series:
    return (100 * table[name]).map("{:.1f}".format) + (100 * table[f"{name}_se"]).map(
        "±{:.1f}".format
    )
