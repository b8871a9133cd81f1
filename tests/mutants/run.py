"""Plant small faults, one at a time, and see whether the nearest tests notice.

    python tests/mutants/run.py --sample 200 --seed 1

Nothing is changed in this tree: faults are planted in copies of it. README.md says how it works;
the results are written there and, fault by fault, into results.csv.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import platform
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import faults
import near
import trial

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
KEPT = ROOT / ".mutants"  # what each test file runs, as last watched
GOAL = 0.85
BUDGET = 20.0  # seconds of tests for one fault
MARK = "<!-- written by run.py: do not edit below -->"
# Long runs that call the package in other processes, where nothing is seen.
NOT_NEAR = {"tests/test_wheel.py"}


@dataclass
class Verdict:
    fault: faults.Fault
    verdict: str  # killed, survived, equivalent
    by: str  # the test that failed first, or why no test could
    how: str  # how near tests were found
    tests: int
    seconds: float


# --- what each test runs ------------------------------------------------------------------------


def groups(root: Path) -> dict[str, list[Path]]:
    """Test files, and folders of the package for their doctests."""
    found = {
        str(path.relative_to(root)): [path]
        for path in sorted((root / "tests").rglob("test_*.py"))
        if path.parent != root / "tests" / "mutants"
    }
    for path in sorted((root / "outcomes").rglob("*.py")):
        if ">>> " in path.read_text(encoding="utf-8"):
            found.setdefault(f"doctests of {path.parent.relative_to(root)}", []).append(path)
    return {name: paths for name, paths in found.items() if name not in NOT_NEAR}


def content(paths: Iterable[Path]) -> str:
    text = hashlib.sha256()
    for path in sorted(paths):
        text.update(path.read_bytes())
    return text.hexdigest()


def watch(root: Path, paths: list[Path]) -> dict[str, Any]:
    """In a fork: run tests unchanged and note which statements each of them runs."""
    import importlib
    import pkgutil

    import pytest

    watcher = near.Watch(root)
    watcher.watch_caches()
    import outcomes

    assert Path(outcomes.__file__).is_relative_to(root)
    for module in pkgutil.walk_packages(outcomes.__path__, "outcomes."):
        importlib.import_module(module.name)
    watcher.cover.start()
    pytest.main(
        [*trial.OPTIONS, "-m", "not slow", *(str(p.relative_to(root)) for p in paths)],
        plugins=[watcher],
    )
    watcher.cover.stop()
    return watcher.record().as_json()


def all_records(places: list[Path], tests: list[str], *, keep: bool) -> near.Record:
    """What every test runs: from the last time where nothing changed, else watched anew."""
    KEPT.mkdir(exist_ok=True)
    package = content((ROOT / "outcomes").rglob("*.py"))
    helpers = [p for p in (ROOT / "tests").rglob("*.py") if not p.name.startswith("test_")]
    helpers = [p for p in helpers if p.parent != HERE]
    out, jobs, files = near.Record(), [], {}
    for name, paths in groups(ROOT).items():
        if tests and not any(part in name for part in tests):
            continue
        inside = [path.relative_to(ROOT) for path in paths]
        key = content([*paths, *helpers]) + package
        file = KEPT / (name.replace("/", "-").replace(" ", "-") + ".json")
        if file.exists():
            stored = json.loads(file.read_text())
            if stored["key"] == key or (keep and stored["key"][:64] == key[:64]):
                out.add(near.Record.from_json(stored["record"]))
                continue
        files[name] = (file, key)
        jobs.append(
            trial.Job(
                name,
                lambda place, inside=inside: watch(place, [place / path for path in inside]),
                limit=3600,
            )
        )
    for n, done in enumerate(trial.run_jobs(jobs, places), 1):
        say(f"  watched {n} of {len(jobs)}: {done.job.name} ({done.seconds:.0f} s) {done.ended}")
        if done.result is not None:
            file, key = files[done.job.name]
            file.write_text(json.dumps({"key": key, "record": done.result}))
            out.add(near.Record.from_json(done.result))
    return out


# --- the trials ---------------------------------------------------------------------------------


def job(fault: faults.Fault, name: str, tests: list[str], seconds: float) -> trial.Job:
    good = (ROOT / fault.file).read_text(encoding="utf-8")

    def write(text: str) -> Any:
        return lambda place: (place / fault.file).write_text(text, encoding="utf-8")

    return trial.Job(
        name,
        lambda place: trial.run_tests(tests, first_only=True),
        limit=120 + 10 * seconds,
        prepare=write(fault.source),
        restore=write(good),
    )


def judged(fault: faults.Fault, done: trial.Done, how: str, tests: int) -> Verdict:
    if done.result is None:
        return Verdict(fault, "killed", done.ended, how, tests, done.seconds)
    if done.result["code"] in (1, 2):
        by = (done.result["failed"] or ["the tests could not be read"])[0]
        return Verdict(fault, "killed", by, how, tests, done.seconds)
    if done.result["code"] not in (0, 5):
        raise RuntimeError(f"pytest broke off for {fault.key}:\n{done.log}")
    return Verdict(fault, "survived", "", how, tests, done.seconds)


def try_all(
    chosen: list[faults.Fault], record: near.Record, places: list[Path], budget: float
) -> list[Verdict]:
    plans: dict[str, tuple[faults.Fault, list[str], float, str]] = {}
    out: dict[str, Verdict] = {}
    for n, fault in enumerate(chosen):
        source = (ROOT / fault.file).read_text(encoding="utf-8")
        tests, seconds, how = near.nearest(
            record, ROOT, fault.file, fault.function, fault.lines, source, budget
        )
        if tests:
            plans[str(n)] = (fault, tests, seconds, how)
        else:
            out[str(n)] = Verdict(fault, "survived", "no test runs it", how, 0, 0.0)

    def attempt(names: Iterable[str], without: set[str]) -> None:
        jobs = []
        for name in names:
            fault, tests, seconds, _ = plans[name]
            tests = [test for test in tests if test not in without]
            jobs.append(job(fault, name, tests, seconds))
        for count, done in enumerate(trial.run_jobs(jobs, places), 1):
            fault, tests, _, how = plans[done.job.name]
            verdict = out[done.job.name] = judged(fault, done, how, len(tests))
            say(
                f"  {count}/{len(jobs)} {verdict.verdict:<8} {done.seconds:5.1f} s  "
                f"{fault.file} {fault.function}: {fault.after.splitlines()[0][:70] if fault.after else ''}"
            )

    attempt(list(plans), set())
    # A test that also fails on the unchanged tree has shown nothing.
    killers = sorted({v.by for v in out.values() if v.by in record.seconds})
    false: set[str] = set()
    control = [
        trial.Job(
            f"control {n}",
            lambda place, part=part: trial.run_tests(part, first_only=False),
            limit=1800,
        )
        for n, part in enumerate(killers[n :: len(places)] for n in range(len(places)))
        if part
    ]
    for done in trial.run_jobs(control, places):
        if done.result is None:
            raise RuntimeError(f"the unchanged tests did not end: {done.ended}")
        false.update(done.result["failed"])
    if false:
        say(f"  {len(false)} tests also fail without a fault and are left out: {sorted(false)}")
        attempt([name for name, v in out.items() if v.by in false], false)
    return [out[name] for name in sorted(out, key=int)]


# --- results ------------------------------------------------------------------------------------


def known_equivalent(root: Path) -> dict[tuple[str, str, str, str], str]:
    data = tomllib.loads((HERE / "equivalent.toml").read_text(encoding="utf-8"))
    return {
        (one["file"], one["function"], one["before"], one["after"]): one["reason"]
        for one in data.get("mutant", ())
    }


def cell(text: str) -> str:
    return "`" + text.replace("\n", " ⏎ ").replace("|", "\\|").replace("`", "'") + "`"


def report(
    verdicts: list[Verdict], places: dict[str, int], seed: int, seconds: float, jobs: int
) -> str:
    counts: dict[str, Counter[str]] = {area: Counter() for area in places}
    for one in verdicts:
        counts[one.fault.area][one.verdict] += 1
    lines = [
        f"Sample of {len(verdicts)} of {sum(places.values()):,} places, seed {seed}; "
        f"{seconds / 60:.0f} minutes with {jobs} at a time on Python {platform.python_version()}.",
        "",
        "| area | places | sampled | killed | equivalent | survived | killed of the others |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    whole: Counter[str] = Counter()
    for area, by in counts.items():
        whole += by
        lines.append(row(area, places[area], by))
    lines.append(row("all", sum(places.values()), whole))
    survivors = [one for one in verdicts if one.verdict == "survived"]
    lines += ["", "Survivors, to be killed by a test or listed in `equivalent.toml`:", ""]
    if not survivors:
        lines[-2:] = ["No survivor is left unread."]
    else:
        lines += ["| file | function | before | after |", "| --- | --- | --- | --- |"]
        lines += [
            f"| {one.fault.file} | {one.fault.function} | {cell(one.fault.before)} "
            f"| {cell(one.fault.after)} |"
            for one in survivors
        ]
    return "\n".join(lines) + "\n"


def row(area: str, places: int, by: Counter[str]) -> str:
    total = sum(by.values())
    others = total - by["equivalent"]
    share = f"{100 * by['killed'] / others:.1f} %" if others else "not tried"
    return (
        f"| {area} | {places:,} | {total} | {by['killed']} | {by['equivalent']} "
        f"| {by['survived']} | {share} |"
    )


def write_table(verdicts: list[Verdict], path: Path) -> None:
    with open(path, "w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["area", "file", "function", "kind", "before", "after", "verdict", "by"])
        for one in sorted(verdicts, key=lambda v: (v.fault.area, v.fault.key)):
            f = one.fault
            table.writerow(
                [f.area, f.file, f.function, f.kind, f.before, f.after, one.verdict, one.by]
            )


def write_results(verdicts: list[Verdict], text: str) -> None:
    readme = HERE / "README.md"
    head = readme.read_text(encoding="utf-8").split(MARK)[0]
    readme.write_text(f"{head}{MARK}\n\n{text}", encoding="utf-8")
    write_table(verdicts, HERE / "results.csv")


def say(text: str) -> None:
    print(text, flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--sample", type=int, default=200, help="faults to plant (200)")
    parser.add_argument("--seed", type=int, default=1, help="which faults (1)")
    parser.add_argument("--jobs", type=int, default=2, help="tried at a time (2)")
    parser.add_argument("--area", action="append", choices=list(faults.AREAS), help="only here")
    parser.add_argument(
        "--only", action="append", default=[], help="only files with this in the path"
    )
    parser.add_argument(
        "--tests", action="append", default=[], help="only test files with this in the path"
    )
    parser.add_argument("--budget", type=float, default=BUDGET, help="seconds of tests per fault")
    parser.add_argument("--keep", action="store_true", help="watch no test file that is unchanged")
    parser.add_argument("--survivors", action="store_true", help="only faults not killed last time")
    parser.add_argument("--dry", action="store_true", help="write no results")
    ask = parser.parse_args()

    began = time.monotonic()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("stopped"))
    areas = ask.area or list(faults.AREAS)
    taken = faults.sample(ROOT, areas, ask.sample, ask.seed, ask.only)
    places = {area: count for area, (count, _) in taken.items()}
    chosen = [fault for _, found in taken.values() for fault in found]
    if ask.survivors:
        with open(KEPT / "last.csv", newline="", encoding="utf-8") as file:
            left = {
                (r["file"], r["function"], r["before"], r["after"])
                for r in csv.DictReader(file)
                if r["verdict"] == "survived"
            }
        chosen = [fault for fault in chosen if fault.key in left]
    equivalent = known_equivalent(ROOT)
    say(f"{len(chosen)} of {sum(places.values())} places")
    trial.warm_up()
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copies = [trial.copy_tree(ROOT, Path(folder) / f"copy{n}") for n in range(ask.jobs)]
        record = all_records(copies, ask.tests, keep=ask.keep)
        tried = [fault for fault in chosen if fault.key not in equivalent]
        verdicts = try_all(tried, record, copies, ask.budget)
    verdicts += [
        Verdict(fault, "equivalent", equivalent[fault.key], "", 0, 0.0)
        for fault in chosen
        if fault.key in equivalent
    ]
    text = report(verdicts, places, ask.seed, time.monotonic() - began, ask.jobs)
    say("\n" + text)
    write_table(verdicts, KEPT / "last.csv")
    whole = not (ask.area or ask.only or ask.tests or ask.survivors or ask.dry)
    if whole:
        write_results(verdicts, text)
    killed = sum(one.verdict == "killed" for one in verdicts)
    others = sum(one.verdict != "equivalent" for one in verdicts)
    share = killed / others if others else 1.0
    say(f"killed: {killed} of {others} ({100 * share:.1f} %); the aim is {100 * GOAL:.0f} %")
    return 0 if share >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
