"""Time and memory of measuring one arch, and the profile: python benchmarks/scans.py [profile]

14 teeth, three scans at several resolutions; each in a process of its own, on two cores. What the
machine did besides is not known: take the least of several runs.
"""

import cProfile
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import outcomes as oc

RESOLUTIONS = (0.6, 0.38, 0.27)
"""mm between vertices: about 30,000, 75,000 and 150,000 triangles a scan."""


def run(resolution: float, *, profile: bool = False) -> None:
    """Measure one invented arch from files and print triangles, seconds and megabytes."""
    with tempfile.TemporaryDirectory() as folder:
        made = oc.simulate_arch("upper", seed=1, resolution=resolution, holes=4, gum_change=0.4)
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
    print(
        f"{triangles:8,} triangles a scan: {seconds:5.1f} s, at most {memory:,.0f} MB", flush=True
    )
    if profile:
        pstats.Stats(profiler).sort_stats("cumtime").print_stats(25)


if __name__ == "__main__":
    if len(sys.argv) > 1 and sys.argv[1] != "profile":
        run(float(sys.argv[1]))
    elif len(sys.argv) > 1:
        run(RESOLUTIONS[-1], profile=True)
    else:
        for size in RESOLUTIONS:
            subprocess.run([sys.executable, __file__, str(size)], check=True)
