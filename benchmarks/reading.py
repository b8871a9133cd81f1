"""Reading beside the fast reader alone: a million-row CSV, a workbook of 100,000 rows.

``python benchmarks/reading.py`` writes reading.csv and its part of README.md. Each way of reading
runs in a process of its own, one after the other in turns; wall and processor seconds are medians
after a first call that does not count. The records are invented.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd
from page import replace_part

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.teeth import FDI_TEETH

HERE = Path(__file__).parent
ROWS = {"csv": 1_000_000, "xlsx": 100_000}
#: Criterion: at most so many times the fast reader alone.
MOST = {"csv": 3.0, "xlsx": 2.0}
#: The first is what is asked for; "pandas, texts" keeps each cell as typed, as checking needs it.
READERS = {"csv": ("pandas", "pandas, texts", "ours"), "xlsx": ("calamine", "ours")}
REPEATS, TURNS = 3, 3


def records(rows: int) -> pd.DataFrame:
    """Invented movements: 100 rows a patient, results with two decimals."""
    rng = np.random.default_rng(1)
    at = np.arange(rows)
    teeth = [tooth for tooth in FDI_TEETH if tooth < 50 and tooth % 10 < 8][:25]
    names = list(MOVEMENTS)[:4]
    movement = np.array(names)[at % 4]
    mm = np.array([MOVEMENTS[name].unit == "mm" for name in names])[at % 4]
    planned = np.round(rng.normal(0, 8, rows) / np.where(mm, 10, 1), 2)
    return pd.DataFrame(
        {
            "patient": [f"P{i:05d}" for i in at // 100],
            "tooth (FDI)": np.array(teeth)[at // 4 % 25],
            "movement": movement,
            "planned": planned,
            "achieved": np.round(0.6 * planned + rng.normal(0, 0.1, rows), 2),
            "attachment": np.array(["none", "rectangular", "ellipsoid"])[at % 3],
        }
    )


def way(reader: str, path: str) -> Callable[[], object]:
    """What is timed."""
    if reader == "pandas":
        return lambda: pd.read_csv(path)
    if reader == "pandas, texts":
        return lambda: pd.read_csv(path, dtype="str", keep_default_na=False)
    if reader == "calamine":
        from python_calamine import CalamineWorkbook

        return lambda: CalamineWorkbook.from_path(path).get_sheet_by_index(0).to_python()
    from outcomes.cohort.read import read_cohort

    return lambda: read_cohort(path)


def worker(reader: str, path: str) -> None:
    """Time one way in this process and print what was found."""
    from worker import peak_of

    read = way(reader, path)
    read()
    wall, processor = [], []
    for _ in range(REPEATS):
        start, used = time.perf_counter(), time.process_time()
        read()
        wall.append(time.perf_counter() - start)
        processor.append(time.process_time() - used)
    found = {"seconds": median(wall), "processor": median(processor), **peak_of(read)}
    print("RESULT " + json.dumps(found))


def run() -> pd.DataFrame:
    """All ways in turns: one row for each process."""
    rows = []
    with tempfile.TemporaryDirectory(prefix="outcomes-bench-") as folder:
        for form, count in ROWS.items():
            path = Path(folder, f"movements.{form}")
            frame = records(count)
            if form == "csv":
                frame.to_csv(path, index=False)
            else:
                frame.to_excel(path, index=False, sheet_name="movements")
            for turn in range(TURNS):
                for reader in READERS[form]:
                    done = subprocess.run(
                        [sys.executable, __file__, "--worker", reader, str(path)],
                        capture_output=True,
                        text=True,
                        check=True,
                    )
                    line = next(x for x in done.stdout.splitlines() if x.startswith("RESULT "))
                    found = json.loads(line.removeprefix("RESULT "))
                    size = path.stat().st_size / 1e6
                    rows.append({"file": form, "rows": count, "mb": size, "reader": reader} | found)
                    print(form, turn, reader, found, file=sys.stderr)
    return pd.DataFrame(rows)


def page(results: pd.DataFrame) -> str:
    """The generated part of README.md."""
    from run import conditions

    lines = [conditions().split(";")[0] + f"; load when it ended {os.getloadavg()[0]:.1f}.", ""]
    lines += ["| file | reader | seconds | processor seconds | memory added, MB |"]
    lines += ["| --- | --- | ---: | ---: | ---: |"]
    ratios = []
    for form, count in ROWS.items():
        part = results[results["file"] == form]
        mid = part.groupby("reader")[["seconds", "processor", "peak_bytes"]].median()
        for reader in READERS[form]:
            s, p, m = mid.loc[reader]
            lines.append(
                f"| {count:,} rows, .{form} | {reader} | {s:.2f} | {p:.2f} | {m / 1e6:.0f} |"
            )
        for reader in READERS[form][:-1]:
            wall, used = (mid.loc["ours", x] / mid.loc[reader, x] for x in ("seconds", "processor"))
            said = f".{form}: {wall:.1f} times {reader} by the clock, {used:.1f} by the processor"
            if reader == READERS[form][0]:
                met = "met" if round(wall, 1) <= MOST[form] else "not met"
                said += f"; asked for were at most {MOST[form]:g} times: {met}"
            ratios.append(f"{said}.")
    return "\n".join([*lines, "", *ratios])


def main() -> None:
    """Run, write reading.csv and the part of README.md."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worker", nargs=2)
    asked = parser.parse_args()
    if asked.worker:
        worker(*asked.worker)
        return
    results = run()
    results.to_csv(HERE / "reading.csv", index=False)
    replace_part(HERE / "README.md", "reading", page(results))


if __name__ == "__main__":
    main()
