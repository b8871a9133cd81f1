"""Does the next course go better by what the patient's own teeth have shown? On known truth.

    python -m benchmarks.next_course                # the whole study; goes on where it was stopped
    python -m benchmarks.next_course --kept --write # tables, figure and page of what is there
    python -m benchmarks.next_course --quick        # 60 practices a cell, two tables, nothing kept

``--engine module:function`` takes any engine with the interface of ``outcomes.predictive.expect``;
``--designs "normal,skewed" --sizes 8,30 --practices 60 --processes 1`` take a part.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import pandas as pd

from . import strategies as by
from .designs import DESIGNS
from .printed import print_reliability, print_ways
from .study import SIZES, run
from .tables import Sums

HERE = Path(__file__).parent
ENGINE = "outcomes.predictive.expect:expect"
PRACTICES = {8: 450, 12: 320, 30: 190}
"""By size, so that 2,000 patients have a second course."""
QUICK = 60


def main() -> None:
    """Parse, run, print; write the page after a whole study."""
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
    parser.add_argument("--kept", action="store_true", help="of blocks that are kept, and no more")
    parser.add_argument("--plan", default=by.NEXT_BEST, help="reliability of this plan")
    parser.add_argument("--write", action="store_true", help="write tables, figure and page")
    asked = parser.parse_args()
    designs = [name.strip() for name in asked.designs.split(",")]
    sizes = [int(size) for size in asked.sizes.split(",")]
    given = asked.practices or (QUICK if asked.quick else 0)
    many = {size: given or PRACTICES.get(size, max(PRACTICES.values())) for size in sizes}
    start = time.perf_counter()
    parts, spent = [], []
    for design, size, records, took in run(
        asked.engine,
        designs,
        sizes,
        many,
        folder="" if asked.quick else asked.blocks,
        processes=asked.processes,
        kept=asked.kept,
    ):
        parts.append(Sums.of(design, size, records))
        spent.append(took)
    sums = Sums.together(parts)
    total = pd.DataFrame(spent).sum()
    print(
        f"practices by size {many}, {len(designs)} designs: "
        f"{time.perf_counter() - start:.0f} s; {total['fits']:.0f} fits of "
        f"{1000 * total['fit_seconds'] / total['fits']:.0f} ms, outlooks and plans "
        f"{1000 * total['outlook_seconds'] / total['fits']:.0f} ms a fit; "
        f"{total['failed']:.0f} refused"
    )
    print_reliability(sums, asked.plan)
    print_ways(sums)
    if asked.write:
        from .written import write

        write(sums, HERE, refused=int(total["failed"]), fits=int(total["fits"]))


if __name__ == "__main__":
    main()
