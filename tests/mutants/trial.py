"""Runs of pytest in forks of one warm process, each in a copy of the tree."""

from __future__ import annotations

import compileall
import contextlib
import importlib
import json
import os
import py_compile
import shutil
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

LEFT_OUT = shutil.ignore_patterns(
    ".git",
    ".venv",
    ".mutants",
    "__pycache__",
    ".*_cache",
    ".hypothesis",
    "reports",
    "build",
    "dist",
)
WARM = [
    *("numpy", "pandas", "scipy.stats", "scipy.optimize", "scipy.linalg", "statsmodels.api"),
    *("pingouin", "seaborn", "matplotlib.pyplot", "pandera.pandas", "openpyxl", "pyarrow"),
    *("python_calamine", "docx", "pptx", "jinja2", "bs4", "typer", "rich", "nbformat"),
    *("pytest", "hypothesis", "hypothesis.strategies", "coverage"),
]
OPTIONS = ["-q", "-p", "no:cacheprovider", "-o", "addopts=--doctest-modules --strict-markers"]


def copy_tree(root: Path, place: Path) -> Path:
    shutil.copytree(root, place, ignore=LEFT_OUT)
    # Checked by content: a fault of the same length, written in the same second, is still seen.
    compileall.compile_dir(
        place / "outcomes",
        quiet=2,
        invalidation_mode=py_compile.PycInvalidationMode.CHECKED_HASH,
    )
    return place


def warm_up() -> None:
    """Import what every test needs, once; the package itself is imported in each fork."""
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(threads, "1")
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    os.environ.setdefault("MPLBACKEND", "Agg")
    for name in WARM:
        importlib.import_module(name)
    from hypothesis import HealthCheck, settings

    settings.register_profile(
        "mutants",
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    settings.load_profile("mutants")
    assert "outcomes" not in sys.modules, "the package must be read from the copy"


@dataclass(eq=False)
class Chosen:
    """A pytest plugin that keeps the chosen tests and notes the first that fails."""

    tests: list[str]
    failed: list[str] = field(default_factory=list)
    ran: int = 0

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        place = {name: n for n, name in enumerate(self.tests)}
        items[:] = sorted(
            (item for item in items if item.nodeid in place), key=lambda item: place[item.nodeid]
        )

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.ran += report.when == "call"
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_collectreport(self, report: Any) -> None:
        if report.failed:
            self.failed.append(report.nodeid)


def run_tests(tests: list[str], *, first_only: bool) -> dict[str, Any]:
    """The chosen tests, in this process: for a fork, which then ends."""
    import pytest

    plugin = Chosen(tests)
    files = list(dict.fromkeys(test.split("::")[0] for test in tests))
    stop = ["-x"] if first_only else []
    code = pytest.main([*OPTIONS, *stop, *files], plugins=[plugin])
    return {"code": int(code), "failed": plugin.failed, "ran": plugin.ran}


@dataclass
class Job:
    """Something to do in a fork: prepare the copy, work there, set the copy right again."""

    name: str
    work: Callable[[Path], Any]
    limit: float  # seconds
    prepare: Callable[[Path], None] | None = None
    restore: Callable[[Path], None] | None = None


@dataclass
class Done:
    job: Job
    result: Any  # None after a crash or at the time limit
    seconds: float
    ended: str  # "", "time limit" or "crash"
    log: str  # the end of what was printed


def _child(job: Job, place: Path, answer: Path) -> NoReturn:
    """The life of a fork. It never returns into the loop of its parent."""
    try:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        os.setsid()
        os.chdir(place)
        os.environ["PYTHONPATH"] = str(place)
        sys.path[:] = [str(place), *[p for p in sys.path if p not in ("", str(place))]]
        with open(answer.with_suffix(".log"), "w") as log:
            os.dup2(log.fileno(), 1)
            os.dup2(log.fileno(), 2)
        answer.write_text(json.dumps(job.work(place)))
        sys.stdout.flush()
        os._exit(0)
    finally:
        traceback.print_exc()
        sys.stderr.flush()
        os._exit(70)


def run_jobs(jobs: list[Job], places: list[Path]) -> Iterator[Done]:
    """Each job in a fork of its own, as many at a time as there are copies."""
    todo, free = list(jobs), list(places)
    running: dict[int, tuple[Job, Path, float]] = {}
    try:
        while todo or running:
            while todo and free:
                job, place = todo.pop(0), free.pop(0)
                answer = place.with_suffix(".answer")
                answer.unlink(missing_ok=True)
                if job.prepare:
                    job.prepare(place)
                sys.stdout.flush()
                child = os.fork()
                if child == 0:
                    _child(job, place, answer)
                running[child] = (job, place, time.monotonic())
            for child, (job, place, began) in list(running.items()):
                seconds = time.monotonic() - began
                ended, _ = os.waitpid(child, os.WNOHANG)
                late = not ended and seconds > job.limit
                if late:
                    os.killpg(child, signal.SIGKILL)
                    os.waitpid(child, 0)
                if ended or late:
                    answer = place.with_suffix(".answer")
                    result = (
                        json.loads(answer.read_text()) if answer.exists() and not late else None
                    )
                    if job.restore:
                        job.restore(place)
                    del running[child]
                    free.append(place)
                    how = "time limit" if late else "" if result is not None else "crash"
                    log = place.with_suffix(".log")
                    tail = log.read_text(errors="replace")[-3000:] if log.exists() else ""
                    yield Done(job, result, seconds, how, tail)
            time.sleep(0.02)
    finally:
        for child in running:  # left where the loop was broken off
            os.kill(child, signal.SIGKILL)
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
