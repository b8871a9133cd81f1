"""Fit, bootstrap, influence and memory beside other packages: same machine, same data, same model.

``make bench`` runs it. Every engine and task has a process of its own (worker.py, lme4.R). Packages
that are not there are left out, and the table says so. Writes results.csv, scaling.png, scaling.svg
and the table in README.md.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from page import replace_part

from outcomes.simulate import simulate_rates

HERE = Path(__file__).parent
# patients: teeth a patient, courses a tooth
SIZES = {40: (16, 2), 200: (22, 2), 1000: (28, 2), 5000: (28, 3)}
ENGINES = ("outcomes", "lme4", "mixedlm", "lme-python", "statsmodels")
TASKS = ("fit", "bootstrap", "patient bootstrap", "influence", "memory")
LIMIT = 300  # seconds for one process
# replicates, or patients left out, in one timed call
REPLICATES = {
    "outcomes": {40: 1000, 200: 1000, 1000: 200, 5000: 40},
    "others": {40: 50, 200: 20, 1000: 5, 5000: 2},
}
SLOW = 60  # seconds of a fit beyond which an engine's other tasks are left out
LEFT_OUT = {40: 10, 200: 5, 1000: 2, 5000: 1}
AGREE = 1e-6


def run(peer_python: Path, engines: tuple[str, ...], sizes: tuple[int, ...]) -> pd.DataFrame:
    """All tasks of all engines: one row each, seconds NaN where ``note`` says why."""
    rows = []
    with tempfile.TemporaryDirectory(prefix="outcomes-bench-") as folder:
        for patients in sizes:
            teeth, courses = SIZES[patients]
            frame = simulate_rates(
                patients, seed=1, teeth_per_patient=teeth, rows_per_tooth=courses
            )
            path = Path(folder, f"{patients}.csv")
            frame.to_csv(path, index=False)
            frame = pd.read_csv(path)  # as the engines read it
            for engine in engines:
                given_up, command = "", _command(engine, peer_python)
                for task in TASKS:
                    count = _count(engine, task, patients)
                    if count is None:
                        continue
                    result = {"note": given_up} if given_up else {}
                    if not given_up:
                        result = _one(command, task, path, count)
                        if isinstance(command, str) or task == "fit":
                            given_up = str(result.get("note", ""))
                        if task == "fit" and result.get("seconds", 0) > SLOW:
                            given_up = "left out, slow"
                    seconds = result.get("seconds", np.nan)
                    each = _units(task, patients, count)
                    rows.append(
                        {
                            "patients": patients,
                            "rows": len(frame),
                            "engine": engine,
                            "task": task,
                            "seconds": seconds * (each if "note" not in result else 1.0),
                            "repeats": result.get("repeats"),
                            "peak_mb": result.get("peak_bytes", np.nan) / 1e6,
                            "frame_mb": frame.memory_usage(deep=True).sum() / 1e6,
                            "log_likelihood": result.get("log_likelihood"),
                            "rates": json.dumps(result["rates"]) if "rates" in result else None,
                            "note": result.get("note", ""),
                        }
                    )
                    last = rows[-1]
                    print(
                        f"{patients:5d} {engine:12s} {task:18s} {last['seconds']:.4g} s "
                        f"{last['peak_mb']:.4g} MB {last['note']}",
                        file=sys.stderr,
                    )
    return pd.DataFrame(rows)


def _units(task: str, patients: int, count: int) -> float:
    """What a timed call is multiplied by: seconds for a replicate, for all patients, or for a fit."""
    if "bootstrap" in task:
        return 1 / count
    return patients / count if task == "influence" else 1.0


def _count(engine: str, task: str, patients: int) -> int | None:
    """Replicates or patients of a timed call; None if the engine has no such task of its own."""
    ours = engine == "outcomes"
    if task == "influence":
        return patients if ours else LEFT_OUT[patients]
    if task == "patient bootstrap" and not ours:
        return None
    if task == "bootstrap" and engine == "statsmodels":
        return None
    return REPLICATES["outcomes" if ours else "others"][patients] if "bootstrap" in task else 1


def _command(engine: str, peer_python: Path) -> list[str] | str:
    """How to start an engine, or why it cannot be."""
    if engine == "lme4":
        rscript = shutil.which("Rscript")
        if rscript is None:
            return "R is not installed"
        there = subprocess.run([rscript, "-e", "library(lme4)"], capture_output=True, check=False)
        return [rscript, str(HERE / "lme4.R")] if there.returncode == 0 else "lme4 is not installed"
    if engine in ("outcomes", "statsmodels"):
        return [sys.executable, str(HERE / "worker.py"), engine]
    module = engine.replace("-", "_")
    if not peer_python.exists():
        return "not installed (see peers.txt)"
    there = subprocess.run(
        [peer_python, "-c", f"import {module}"], capture_output=True, check=False
    )
    if there.returncode != 0:
        return "not installed (see peers.txt)"
    return [str(peer_python), str(HERE / "worker.py"), engine]


def _one(command: list[str] | str, task: str, path: Path, count: int) -> dict[str, Any]:
    if isinstance(command, str):
        return {"note": command}
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    try:
        done = subprocess.run(
            [*command, task, str(path), str(count)],
            capture_output=True,
            text=True,
            timeout=LIMIT,
            env=environment,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return {"note": f"over {LIMIT // 60} minutes"}
    for line in done.stdout.splitlines():
        if line.startswith("RESULT "):
            return dict(json.loads(line.removeprefix("RESULT ")))
    reason = [line for line in done.stderr.splitlines() if line.strip()] or ["no output"]
    asked = next((line for line in reason if line.startswith("memory allocation of")), None)
    if asked is not None:
        return {"note": f"asks for {int(asked.split()[3]) / 1e9:.0f} GB"}
    return {"note": reason[-1][:120]}


def agreement(results: pd.DataFrame) -> pd.Series:
    """Largest relative difference from ours in log-likelihood and rates, by row of ``results``."""
    fits = results[results["rates"].notna()]
    ours = fits[fits["engine"] == "outcomes"].set_index("patients")
    away = pd.Series(np.nan, index=results.index)
    for row in fits.itertuples():
        own = ours.loc[row.patients]
        rates, own_rates = np.array(json.loads(row.rates)), np.array(json.loads(own["rates"]))
        away[row.Index] = max(
            abs(row.log_likelihood / own["log_likelihood"] - 1),
            float(np.abs(rates / own_rates - 1).max()),
        )
    return away


def page(results: pd.DataFrame, conditions: str) -> str:
    """The generated part of README.md."""
    lines = [conditions, ""]
    words = {
        "fit": "Fit, seconds",
        "bootstrap": "Parametric bootstrap, milliseconds a replicate",
        "patient bootstrap": "Bootstrap over patients, milliseconds a replicate",
        "influence": "Influence (each patient left out), seconds",
        "memory": "Peak memory of a fit beyond the data, times the data frame",
    }
    sizes = results.groupby("patients")["rows"].first()
    header = "| | " + " | ".join(f"{p:,} patients, {r:,} rows" for p, r in sizes.items()) + " |"
    for task, title in words.items():
        lines += [f"**{title}**", "", header, "| --- |" + " ---: |" * len(sizes)]
        part = results[results["task"] == task]
        for engine in part["engine"].unique():
            cells = [_cell(part, engine, p, task) for p in sizes.index]
            lines.append(f"| {engine} | " + " | ".join(cells) + " |")
        lines.append("")
    lines += [
        "**Same answer?** Largest relative difference from ours in log-likelihood and rates.",
        "",
    ]
    lines += [header, "| --- |" + " ---: |" * len(sizes)]
    fits = results[(results["task"] == "fit") & (results["engine"] != "outcomes")]
    for engine in fits["engine"].unique():
        cells = []
        for p in sizes.index:
            away = fits.loc[(fits["engine"] == engine) & (fits["patients"] == p), "away"]
            value = float(away.iloc[0]) if len(away) else np.nan
            cells.append("" if np.isnan(value) else f"{value:.1g}{' (!)' * (value > AGREE)}")
        lines.append(f"| {engine} | " + " | ".join(cells) + " |")
    lines += ["", f"(!) marks differences above {AGREE:g}.", "", *_targets(results)]
    return "\n".join(lines)


def _cell(part: pd.DataFrame, engine: str, patients: int, task: str) -> str:
    rows = part[(part["engine"] == engine) & (part["patients"] == patients)]
    if not len(rows):
        return ""
    row = rows.iloc[0]
    if row["note"]:
        after = "" if np.isnan(row["seconds"]) else f" after {row['seconds']:.3g}"
        return f"{row['note']}{after}"
    if task == "memory":
        return f"{row['peak_mb'] / row['frame_mb']:.2g}"
    value = row["seconds"] * (1000 if "bootstrap" in task else 1)
    text = f"{value:.3g}" if value < 1000 else f"{value:,.0f}"
    estimated = task == "influence" and engine != "outcomes"
    return f"about {text}" if estimated else text


def _targets(results: pd.DataFrame) -> list[str]:
    """Each target beside what was measured."""

    def measured(engine: str, task: str, patients: int, column: str = "seconds") -> float:
        rows = results[
            (results["engine"] == engine)
            & (results["task"] == task)
            & (results["patients"] == patients)
        ]
        return float(rows[column].iloc[0]) if len(rows) else np.nan

    largest = int(results["patients"].max())
    compiled = [measured(e, "fit", largest) for e in ("mixedlm", "lme-python")]
    compiled = [c for c in compiled if not np.isnan(c)]
    own = measured("outcomes", "fit", largest)
    ours_40 = measured("outcomes", "bootstrap", 40)
    memory = measured("outcomes", "memory", largest, "peak_mb") / measured(
        "outcomes", "memory", largest, "frame_mb"
    )
    statsmodels = measured("statsmodels", "fit", largest)
    note = results.loc[(results["engine"] == "statsmodels") & (results["task"] == "fit"), "note"]
    bound = ""
    if np.isnan(statsmodels) and len(note) and str(note.iloc[-1]).startswith("over"):
        statsmodels, bound = LIMIT, "more than "
    table = [
        (f"fit, {largest:,} patients, against lme4", 10, measured("lme4", "fit", largest) / own),
        ("the same, against the fastest compiled peer", 5, min(compiled, default=np.nan) / own),
        ("the same, against statsmodels", 40, statsmodels / own),
        (
            "bootstrap replicate at 40 patients, against lme4",
            10,
            measured("lme4", "bootstrap", 40) / ours_40,
        ),
    ]
    lines = ["**Targets**", "", "| | target | measured |", "| --- | ---: | ---: |"]
    for what, target, value in table:
        shown = "not measured" if np.isnan(value) else f"{value:,.3g} times faster"
        more = bound if "statsmodels" in what else ""
        lines.append(f"| {what} | {target} times faster | {more}{shown} |")
    for kind in ("bootstrap", "patient bootstrap"):
        seconds = 1000 * measured("outcomes", kind, 40)
        name = "parametric" if kind == "bootstrap" else "over patients"
        lines.append(f"| 1,000 replicates at 40 patients, {name} | under 2 s | {seconds:.2g} s |")
    lines.append(
        f"| peak memory of a fit, {largest:,} patients | under 2.5 data frames | "
        f"{memory:.2g} beyond the frame, {memory + 1:.2g} with it |"
    )
    return lines


def plot(results: pd.DataFrame) -> None:
    """Log-log plots of time and memory by rows."""
    import matplotlib

    matplotlib.use("agg")
    import matplotlib.pyplot as plt

    from outcomes.figures import style

    colours = ("#000000", "#0072B2", "#D55E00", "#009E73", "#CC79A7")
    markers = "osD^v"
    panels = {
        "fit": ("Fit", "seconds"),
        "bootstrap": ("Parametric bootstrap", "seconds a replicate"),
        "influence": ("Each patient left out", "seconds"),
        "memory": ("Peak memory of a fit beyond the data", "MB"),
    }
    with style():
        figure, axes = plt.subplots(2, 2, figsize=(9, 7), layout="constrained", sharex=True)
        for ax, (task, (title, unit)) in zip(axes.flat, panels.items(), strict=True):
            part = results[results["task"] == task]
            column = "peak_mb" if task == "memory" else "seconds"
            for engine, colour, marker in zip(ENGINES, colours, markers, strict=True):
                own = part[(part["engine"] == engine) & part[column].notna()]
                if len(own):
                    ax.plot(own["rows"], own[column], color=colour, marker=marker, label=engine)
            if task == "memory":
                frame = part[part["engine"] == "outcomes"]
                ax.plot(frame["rows"], frame["frame_mb"], ":", color="0.5", label="data frame")
            ax.set(xscale="log", yscale="log", title=title, ylabel=unit)
        for ax in axes[1]:
            ax.set_xlabel("rows")
        handles, labels = axes[1, 1].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=len(labels))
        figure.savefig(HERE / "scaling.png", dpi=150)
        figure.savefig(HERE / "scaling.svg", metadata={"Date": None})
        plt.close(figure)


def conditions() -> str:
    """Where and when the run took place, without naming the machine."""
    load = os.getloadavg()[0]
    return (
        f"One run on one machine ({os.cpu_count()} processor cores, {platform.system()}, Python "
        f"{platform.python_version()}, numpy {np.__version__}, pandas {pd.__version__}), one thread "
        f"to an engine; load when it began {load:.1f}. Medians after a first call that does not "
        "count; every engine and task in a process of its own."
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--peers", type=Path, default=HERE / ".venv/bin/python", help="their Python"
    )
    parser.add_argument("--engines", nargs="+", default=ENGINES, choices=ENGINES)
    parser.add_argument("--sizes", nargs="+", type=int, default=tuple(SIZES), choices=SIZES)
    parser.add_argument("--redraw", action="store_true", help="table and plot from results.csv")
    parser.add_argument("--dry", action="store_true", help="print the page, write nothing")
    arguments = parser.parse_args()
    if arguments.redraw:
        results = pd.read_csv(HERE / "results.csv", keep_default_na=True).fillna({"note": ""})
        page_now = (HERE / "README.md").read_text(encoding="utf-8")
        where = next(line for line in page_now.splitlines() if line.startswith("One run on one"))
        plot(results)
        replace_part(HERE / "README.md", "speed", page(results, where))
        return
    where = conditions()
    results = run(arguments.peers, tuple(arguments.engines), tuple(arguments.sizes))
    results["away"] = agreement(results)
    text = page(results, where)
    if arguments.dry:
        print(text)
        return
    results.to_csv(HERE / "results.csv", index=False, float_format="%.10g")
    plot(results)
    replace_part(HERE / "README.md", "speed", text)


if __name__ == "__main__":
    main()
