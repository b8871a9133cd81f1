"""Does the next course go better by what the patient's own teeth have shown? On known truth.

    python -m benchmarks.next_course                # the whole study; goes on where it was stopped
    python -m benchmarks.next_course --quick        # 60 practices a cell, two tables, nothing kept

``--engine module:function`` takes any engine with the interface of ``outcomes.predictive.expect``;
``--designs "normal,skewed" --sizes 8,30 --practices 60 --processes 1`` take a part.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
import pandas as pd

from . import strategies as by
from .designs import DESIGNS
from .study import SIZES, run
from .tables import (
    CLOSE,
    FEWEST,
    as_frame,
    clustered,
    covered_table,
    reliability_table,
    strategy_table,
)

HERE = Path(__file__).parent
ENGINE = "outcomes.predictive.expect:expect"
PRACTICES = {8: 560, 12: 380, 30: 290}
"""By size, so that 2,000 patients have a second course."""
QUICK = 60


def main() -> None:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.next_course", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} practices a cell, printed")
    parser.add_argument("--engine", default=ENGINE, help="module:function")
    parser.add_argument("--designs", default=",".join(DESIGNS))
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)))
    parser.add_argument("--practices", type=int, help="practices a cell")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--blocks", default=str(HERE / "blocks"), help="where blocks are kept")
    parser.add_argument("--plan", default=by.NEXT_BEST, help="reliability of this plan")
    asked = parser.parse_args()
    designs = [name.strip() for name in asked.designs.split(",")]
    sizes = [int(size) for size in asked.sizes.split(",")]
    given = asked.practices or (QUICK if asked.quick else 0)
    many = {size: given or PRACTICES.get(size, max(PRACTICES.values())) for size in sizes}
    start = time.perf_counter()
    frames, spent = [], pd.DataFrame()
    for design, size, records, took in run(
        asked.engine,
        designs,
        sizes,
        many,
        folder="" if asked.quick else asked.blocks,
        processes=asked.processes,
    ):
        frames.append(as_frame(design, size, records))
        spent = pd.concat([spent, pd.DataFrame([took])], ignore_index=True)
    rows = pd.concat(frames, ignore_index=True)
    total = spent.sum()
    print(
        f"practices by size {many}, {len(designs)} designs: "
        f"{time.perf_counter() - start:.0f} s; {total['fits']:.0f} fits of "
        f"{1000 * total['fit_seconds'] / total['fits']:.0f} ms, outlooks and plans "
        f"{1000 * total['outlook_seconds'] / total['fits']:.0f} ms a fit; "
        f"{total['failed']:.0f} refused"
    )
    print_reliability(rows, asked.plan)
    print_strategies(rows)


def print_reliability(rows: pd.DataFrame, plan: str) -> None:
    """Landed minus stated by tenths of the stated chance, in points; ranges; overshoot."""
    own = rows[rows["strategy"] == by.STRATEGIES.index(plan)]
    for chance in ("within", "over"):
        print(
            f"\nReliability, chance {chance}, plan {plan!r}: landed - stated in points ± MC error "
            f"(count); tenths with {FEWEST} predictions or more; * beyond {100 * CLOSE:.0f} points"
        )
        for keys in (["known", "size"], ["known", "size", "design"]):
            table = reliability_table(own, keys, chance)
            table = table[table["predictions"] >= FEWEST]
            whole = clustered_all(own, keys, chance)
            for key in whole.index:
                part = (
                    table.set_index(keys).sort_index().loc[[key]]
                    if key in set(map(tuple, table[keys].itertuples(index=False)))
                    else table.iloc[:0]
                )
                print(f"{label(keys, key):32s} {table_line(part)}  all {whole.loc[key]}")
        for keys in (["known", "size"], ["known", "size", "design"]):
            table = reliability_table(own, keys, chance)
            table = table[table["predictions"] >= FEWEST]
            for known, part in table.groupby("known"):
                off = part["difference"].abs() - CLOSE
                net = np.average(
                    part["difference"] ** 2 - part["mc_se"] ** 2, weights=part["predictions"]
                )
                print(
                    f"{'known' if known else 'new'}, {len(part)} tenths by {', '.join(keys[1:])}: "
                    f"{(off > 0).sum()} beyond {100 * CLOSE:.0f} points, "
                    f"{(off > 2 * part['mc_se']).sum()} of them by more than 2 MC errors; root mean square "
                    f"difference net of MC error {100 * np.sqrt(max(net, 0)):.1f} points"
                )
    print("\nPrediction ranges: share inside, percent ± MC error")
    for keys in (["known", "size"], ["known", "size", "design"]):
        both = {level: covered_table(own, keys, level).set_index(keys) for level in (80, 95)}
        for key in both[80].index:
            said = " ".join(
                f"{level}: {100 * t.loc[key, 'landed']:5.1f} ± {100 * t.loc[key, 'mc_se']:.1f}"
                for level, t in both.items()
            )
            print(f"{label(keys, key):32s} {said}  ({both[80].loc[key, 'predictions']:.0f})")


def clustered_all(own: pd.DataFrame, keys: list[str], chance: str) -> pd.Series:
    """Stated and landed over all tenths, as text by key."""
    told = own[own[chance].notna()]
    table = clustered(told, keys, chance, f"landed_{chance}").set_index(keys)
    return pd.Series(
        [
            f"{100 * r.stated:.1f}→{100 * r.landed:.1f} ± {100 * r.mc_se:.1f}"
            for r in table.itertuples()
        ],
        index=table.index,
    )


def label(keys: list[str], key: tuple) -> str:
    """A key in words."""
    values = dict(zip(keys, key, strict=True))
    who = "known" if values["known"] else "new"
    return f"{who} {values['size']:2d} {values.get('design', '(all designs)')}"


def table_line(part: pd.DataFrame) -> str:
    """The tenths of one line."""
    cells = []
    for row in part.itertuples():
        mark = "*" if abs(row.difference) > CLOSE else ""
        cells.append(
            f".{row.tenth} {100 * row.difference:+.1f}{mark}±{100 * row.mc_se:.1f} ({row.predictions})"
        )
    return "  ".join(cells)


def print_strategies(rows: pd.DataFrame) -> None:
    """What each strategy leaves, in tolerances."""
    pd.set_option("display.width", 250, "display.max_columns", 40, "display.max_rows", 400)
    for known in (False, True):
        part = rows[rows["known"] == known]
        if not len(part):
            continue
        which = "Known patients, course 2" if known else "New patients, course 1"
        print(
            f"\n{which}: |aim - result| and shortfall in tolerances (0.5 mm, 2°); within and over: "
            "percent; more: than the next course's best chance, paired; over as stated"
        )
        for keys in (["size"], ["size", "design"]):
            table = strategy_table(part, keys, by.NEXT_BEST)
            shown = pd.DataFrame(
                {
                    **{k: table[k] for k in keys},
                    "strategy": table["strategy"],
                    "missed": table["missed"].map("{:.3f}".format),
                    "more": _with_error(table, "less_missed"),
                    "short": table["short"].map("{:.3f}".format),
                    "more short": _with_error(table, "less_short"),
                    "within": (100 * table["landed_within"]).map("{:.1f}".format),
                    "over": (100 * table["landed_over"]).map("{:.1f}".format)
                    + table["over_se"].map(lambda s: f"±{100 * s:.1f}"),
                    "over stated→landed": [
                        "" if np.isnan(s) else f"{100 * s:.1f}→{100 * t:.1f}"
                        for s, t in zip(table["stated_over"], table["told_over"], strict=True)
                    ],
                    "declined": (100 * table["declined"]).map("{:.0f}".format),
                    "patients": table["patients"],
                }
            )
            order = shown["strategy"].map(by.STRATEGIES.index)
            shown = shown.assign(o=order).sort_values([*keys, "o"]).drop(columns="o")
            print(shown.to_string(index=False))


def _with_error(table: pd.DataFrame, name: str) -> pd.Series:
    return table[name].map("{:+.3f}".format) + table[f"{name}_se"].map("±{:.3f}".format)


if __name__ == "__main__":
    main()
