"""Measuring from scans: time and memory of one arch, and how far the answers are off.

    python benchmarks/scans.py             # both; writes scans.csv and its part of README.md
    python benchmarks/scans.py profile     # where the time goes, at the finest resolution

Each size runs in a process of its own. The arches are invented: scanner noise of 0.02 mm, holes,
changed gum, attachments on the later scan, movements up to 1.5 mm and 8 degrees, each scan in a
frame of its own. Two families of shapes ("natural", "plain"); the coarse ones have 0.9 mm between
vertices.
"""

from __future__ import annotations

import cProfile
import json
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from page import replace_part

import outcomes as oc
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.scan_tables import STAGES

HERE = Path(__file__).parent
RESOLUTIONS = (0.6, 0.38, 0.26)
"""mm between vertices: about 30,000, 75,000 and 150,000 triangles a scan."""

SETS = {
    "natural": {"resolution": 0.5},
    "plain": {"resolution": 0.5, "shape": "plain"},
    "coarse": {"resolution": 0.9},
}
SEEDS = (101, 102, 103, 104)


def drawn(arch: str, seed: int, **more: object) -> oc.simulate.SimulatedArch:
    """An invented arch with what the criteria name."""
    return oc.simulate_arch(
        arch, seed=seed, holes=4, gum_change=0.4,
        attachments=(13, 24) if arch == "upper" else (43, 34), **more,
    )  # fmt: skip


def timed(resolution: float, *, profile: bool = False) -> None:
    """Measure one arch from files; print triangles, seconds and megabytes."""
    with tempfile.TemporaryDirectory() as folder:
        made = drawn("upper", 1, resolution=resolution)
        triangles = len(made.start.faces)
        made.write(folder, kind="stl")
        del made
        oc.measure_scans  # noqa: B018  imports first
        profiler = cProfile.Profile()
        start = time.perf_counter()
        if profile:
            profiler.enable()
        oc.measure_scans(Path(folder) / "scans.csv")
        profiler.disable()
        seconds = time.perf_counter() - start
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"triangles": triangles, "seconds": seconds, "mb": memory}), flush=True)
    if profile:
        pstats.Stats(profiler).sort_stats("cumtime").print_stats(25)


def accuracy() -> pd.DataFrame:
    """One row for each movement of each tooth and stage: its error, and how sure it was said to be.

    The truth is told about the axes and the centre that measuring found (``frames``), so that only
    the motion is judged.
    """
    rows = []
    for name, how in SETS.items():
        for seed in SEEDS:
            arch = "upper" if seed % 2 else "lower"
            made = drawn(arch, seed, **how)
            with tempfile.TemporaryDirectory() as folder:
                made.write(folder)
                found = oc.measure_scans(Path(folder) / "scans.csv")
            for off in errors(made, found):
                rows.append({"set": name, "seed": seed, "arch": arch, **off})
            print(name, seed, found.counts(), file=sys.stderr)
    return pd.DataFrame(rows)


def errors(made: oc.simulate.SimulatedArch, found: oc.Measured) -> list[dict[str, object]]:
    """Error of every movement that was given."""
    from outcomes.measure.motion import Rigid, components

    (part,) = found.arches
    sure = found.quality.set_index(["tooth", "stage"])["confidence"]
    rows = []
    for (tooth, stage), motion in part.motions.items():
        frame = part.frames[tooth]
        true = components(Rigid.from_matrix(made.moved[stage][tooth]), frame)
        got = components(motion, frame)
        for movement in MOVEMENTS:
            off = {"tooth": tooth, "stage": stage, "movement": movement}
            rows.append(
                {**off, "error": got[movement] - true[movement], "sure": sure[tooth, stage]}
            )
    given = len(part.motions)
    rows.append({"tooth": 0, "stage": "all", "movement": "", "error": np.nan, "sure": given})
    return rows


def page(times: pd.DataFrame, found: pd.DataFrame) -> str:
    """The generated part of README.md."""
    from run import conditions

    lines = [conditions().split(";")[0] + ".", ""]
    lines += ["| triangles a scan | seconds | memory at most, MB |", "| ---: | ---: | ---: |"]
    lines += [f"| {t.triangles:,} | {t.seconds:.1f} | {t.mb:.0f} |" for t in times.itertuples()]
    lines += [
        "",
        "Error of the movements of 4 arches a set, median / 95th percentile / largest:",
        "",
    ]
    head = "| set | confidence | crowns | mm | degrees | rotation of premolars, degrees |"
    lines += [head, "| --- | --- | ---: | --- | --- | --- |"]
    rows = found[found["tooth"] > 0]
    mm = rows["movement"].map(lambda name: MOVEMENTS[name].unit == "mm")
    round_ones = (rows["movement"] == "rotation") & (rows["tooth"] % 10).isin([4, 5])
    kinds = (mm, ~mm & ~round_ones, round_ones)
    for (name, sure), part in rows.groupby(["set", "sure"], sort=False):
        crowns = len(part) // len(MOVEMENTS)
        said = [_spread(part.loc[kind[part.index], "error"].abs()) for kind in kinds]
        lines.append(f"| {name} | {sure} | {crowns} | {' | '.join(said)} |")
    given = int(found.loc[found["tooth"] == 0, "sure"].sum())
    asked = len(SEEDS) * len(SETS) * 14 * len(STAGES)
    lines += ["", f"{given} of {asked} crowns were given, {asked - given} refused."]
    return "\n".join(lines)


def _spread(off: pd.Series) -> str:
    if not len(off):
        return "none"
    return f"{off.median():.3f} / {off.quantile(0.95):.3f} / {off.max():.3f}"


def main() -> None:
    if len(sys.argv) > 1:
        profile = sys.argv[1] == "profile"
        timed(RESOLUTIONS[-1] if profile else float(sys.argv[1]), profile=profile)
        return
    command = [sys.executable, __file__]
    times = [
        json.loads(subprocess.run([*command, str(r)], capture_output=True, check=True).stdout)
        for r in RESOLUTIONS
    ]
    found = accuracy()
    found.to_csv(HERE / "scans.csv", index=False)
    replace_part(HERE / "README.md", "scans", page(pd.DataFrame(times), found))


if __name__ == "__main__":
    main()
