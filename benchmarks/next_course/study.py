"""One practice after another: past patients, new patients, and known patients in their second course.

A practice of size n has n past patients. Some further patients (``BETWEEN``) are predicted from
them in their first course, which is then planned by the practice's habit. Between their courses each
is predicted from n others, of whom those that are between have their first course only.
"""

from __future__ import annotations

import hashlib
import importlib
import multiprocessing
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import OutcomesError

from . import strategies as by
from .designs import CLASS, DESIGNS, KINDS, LOWER, TEETH, Kind, People, Practice

__all__ = ["BETWEEN", "SEED", "SIZES", "block", "fingerprint", "practice_records", "run"]

SEED = 20_261
BETWEEN = {8: 5, 12: 7, 30: 12}
SIZES = tuple(BETWEEN)
BLOCK = 10
SECOND_COURSE = 0.6
"""Share of past patients who had a second course where something was left."""

RECORD = np.dtype(
    [
        ("replicate", "i4"),
        ("patient", "i2"),
        ("known", "?"),
        ("strategy", "i1"),
        ("movement", "i1"),
        ("tooth", "i1"),
        ("sign", "i1"),
        ("class_patients", "i2"),
        ("declined", "?"),
        ("aim", "f4"),
        ("plan", "f4"),
        ("result", "f4"),
        ("tolerance", "f4"),
        *((name, "f4") for name in by.STATED),
    ]
)
_PLACE = {int(tooth): k for k, tooth in enumerate(TEETH)}


def engine_of(name: str) -> Callable[..., Any]:
    """The function of "module:function"."""
    module, _, function = name.partition(":")
    return getattr(importlib.import_module(module), function or "expect")


def frame(kind: Kind, parts: list[dict[str, np.ndarray]]) -> pd.DataFrame:
    """Measured rows as the package takes them."""
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    keep = ~np.isnan(columns["achieved"])
    columns = {name: values[keep] for name, values in columns.items()}
    places = np.array([_PLACE[t] for t in columns["tooth"].tolist()])
    return pd.DataFrame(
        columns
        | {
            "movement": kind.movement,
            "unit": kind.unit,
            "tooth_class": np.array(["incisor", "canine", "premolar", "molar"])[CLASS[places]],
            "arch": np.where(LOWER[places], "lower", "upper"),
        }
    )


def rows_of(people: People, course: int, planned: Any, achieved: Any, which: Any, aim: Any) -> dict:
    """Columns of the teeth ``which``."""
    return {
        "patient": people.names[people.patient[which]],
        "tooth": people.tooth[which],
        "course": np.full(int(np.sum(which)), course),
        "aim": aim[which],
        "planned": planned[which],
        "achieved": np.where(people.lost[which, course - 1], np.nan, achieved[which]),
        "attachment": np.where(people.attached[which, course - 1], "rectangular", "none"),
    }


def first_course(practice: Practice, people: People) -> tuple[dict, np.ndarray]:
    """Columns of the first course by the practice's habit, and what it left of the aims (measured)."""
    planned = practice.habit(people, 1, people.aim)
    achieved = practice.moved(people, 1, planned)
    everything = np.ones(len(people), bool)
    rows = rows_of(people, 1, planned, achieved, everything, people.aim)
    left = np.round(people.aim - rows["achieved"], practice.kind.decimals)
    return rows, left


def wanting(left: np.ndarray, tolerance: float) -> np.ndarray:
    """Teeth with something left beyond the tolerance; not those that were not scanned again."""
    return np.abs(np.nan_to_num(left)) > tolerance + 1e-9


def past_rows(practice: Practice, people: People) -> list[dict]:
    """Both courses of past patients; a second one for some, of teeth with something left."""
    rows, left = first_course(practice, people)
    again = practice.rng.random(len(people.names)) < SECOND_COURSE
    which = wanting(left, practice.kind.tolerance) & again[people.patient]
    aim = np.nan_to_num(left)
    planned = practice.habit(people, 2, aim)
    achieved = practice.moved(people, 2, planned)
    return [rows, rows_of(people, 2, planned, achieved, which, aim)]


def practice_records(
    expect: Callable[..., Any], design: str, size: int, replicate: int
) -> tuple[np.ndarray, dict[str, float]]:
    """All predictions and plans of one practice (`RECORD`), and what it took."""
    seeds = [SEED, list(DESIGNS).index(design), size, replicate]
    rng = np.random.default_rng(seeds)
    kind = KINDS[replicate % len(KINDS)]
    practice = Practice(DESIGNS[design], kind, rng)
    past = practice.people(size)
    past_parts = past_rows(practice, past)
    between = practice.people(BETWEEN.get(size, 4))
    first, left = first_course(practice, between)
    spent = {"fits": 0.0, "fit_seconds": 0.0, "outlook_seconds": 0.0, "failed": 0.0}
    parts = [
        _new(expect, practice, frame(kind, past_parts), between, spent),
        _known(expect, practice, past, past_parts, between, first, left, spent),
    ]
    records = np.concatenate(parts)
    records["replicate"], records["movement"] = replicate, replicate % len(KINDS)
    return records, spent


def _fit(expect: Callable[..., Any], rows: pd.DataFrame, kind: Kind, spent: dict) -> Any:
    start = time.perf_counter()
    try:
        return expect(rows, kind.movement, seed=1)
    except OutcomesError:  # counted, and shown
        spent["failed"] += 1
        return None
    finally:
        spent["fits"] += 1
        spent["fit_seconds"] += time.perf_counter() - start


def _ratio_plans(rows: pd.DataFrame, left: np.ndarray, tooth: np.ndarray) -> dict[str, np.ndarray]:
    planned, achieved = rows["planned"].to_numpy(float), rows["achieved"].to_numpy(float)
    all_in_one = np.zeros(len(planned), int)
    pooled = by.ratios(planned, achieved, all_in_one, 1)[0]
    kind = CLASS[[_PLACE[t] for t in rows["tooth"].tolist()]]
    by_class = by.ratios(planned, achieved, kind, 4)
    own = CLASS[[_PLACE[int(t)] for t in tooth]]
    of_class = np.where(np.isnan(by_class), pooled, by_class)[own]
    return {
        by.AS_AIMED: left,
        by.POOLED: left * by.factor(np.full(len(left), pooled)),
        by.POOLED_CLASS: left * by.factor(of_class),
    }


#: Names of strategies whose plans are judged, places of the teeth, and the outlook that judges them.
Judged = list[tuple[tuple[str, ...], np.ndarray, Any]]


def _new(
    expect: Callable[..., Any], practice: Practice, rows: pd.DataFrame, people: People, spent: dict
) -> np.ndarray:
    """New patients in their first course."""
    aim = people.aim
    given = _ratio_plans(rows, aim, people.tooth)
    everything = np.ones(len(people), bool)
    engine = _fit(expect, rows, practice.kind, spent)
    start = time.perf_counter()
    named = (by.NEXT_MEAN, by.NEXT_BEST)
    cells = _Cells(engine, people, aim, everything, practice.kind, course=1)
    judged: Judged = []
    if engine is not None:
        cells.plan(given, named)
        judged = [((by.AS_AIMED, *named), at, outlook) for at, outlook in cells.answered]
    found = _records(practice, people, 1, aim, everything, given, judged, cells)
    spent["outlook_seconds"] += time.perf_counter() - start
    return found


def _known(
    expect: Callable[..., Any],
    practice: Practice,
    past: People,
    past_parts: list[dict],
    people: People,
    first: dict,
    left: np.ndarray,
    spent: dict,
) -> np.ndarray:
    """Known patients in their second course."""
    kind = practice.kind
    which = wanting(left, kind.tolerance)
    others = set(past.names[: len(past.names) + 1 - len(people.names)].tolist())
    seen = [_only(part, np.isin(part["patient"], list(others))) for part in past_parts]
    rows = frame(kind, [*seen, first])
    left = np.nan_to_num(left)
    given = _ratio_plans(rows, left, people.tooth)
    measured = ~np.isnan(first["achieved"])
    planned, achieved = first["planned"][measured], first["achieved"][measured]
    own = by.ratios(planned, achieved, people.patient[measured], len(people.names))
    given[by.OWN] = left * by.factor(own[people.patient])
    tooth = by.ratios(planned, achieved, np.flatnonzero(measured), len(people))
    given[by.OWN_TOOTH] = left * by.factor(tooth)
    engine = _fit(expect, rows, kind, spent)
    start = time.perf_counter()
    alone, named = (by.ALONE_MEAN, by.ALONE_BEST), (by.NEXT_MEAN, by.NEXT_BEST)
    cells = _Cells(engine, people, left, which, kind, course=2)
    judged: Judged = []
    if engine is not None:
        cells.plan(given, alone)
        judged = [(alone, at, outlook) for at, outlook in cells.answered]
        for name in named:
            given[name] = left.copy()
        for k in np.concatenate([at for at, _ in cells.answered] or [np.zeros(0, int)]):
            sign = 1 if left[k] > 0 else -1
            size = np.abs(left[k : k + 1])
            outlook = engine.outlook(
                int(people.tooth[k]),
                sign,
                by.RULES.max_factor * float(size[0]),
                patient=str(people.names[people.patient[k]]),
                course=2,
            )
            for name, plan in zip(named, by.plans(outlook, size, kind.tolerance), strict=True):
                given[name][k] = sign * plan[0]
            judged.append(((by.AS_AIMED, *named), np.array([k]), outlook))
    found = _records(practice, people, 2, left, which, given, judged, cells)
    spent["outlook_seconds"] += time.perf_counter() - start
    return found


class _Cells:
    """What the cohort alone says, to teeth ``which`` of one class, arch and direction at once."""

    def __init__(
        self, engine: Any, people: People, aim: Any, which: Any, kind: Kind, course: int
    ) -> None:
        n = len(people)
        self.aim, self.kind = aim, kind
        self.declined = np.full(n, engine is None)
        self.class_patients = np.zeros(n, int)
        self.answered: list[tuple[np.ndarray, Any]] = []
        if engine is None:
            return
        places = np.array([_PLACE[t] for t in people.tooth.tolist()])
        cells = CLASS[places] * 4 + LOWER[places] * 2 + (aim > 0)
        for cell in np.unique(cells[which]):
            at = np.flatnonzero((cells == cell) & which)
            sign, tooth = 1 if cell % 2 else -1, int(people.tooth[at[0]])
            support = engine.support(tooth, sign)
            largest = by.RULES.max_factor * float(np.abs(aim[at]).max())
            outlook = engine.outlook(tooth, sign, largest, course=course)
            self.class_patients[at] = support.class_patients
            if by.answerable(support, outlook):
                self.answered.append((at, outlook))
            else:
                self.declined[at] = True

    def plan(self, given: dict[str, np.ndarray], names: tuple[str, str]) -> None:
        """Plan at the mean and with the best chance; as aimed where nothing is said."""
        for name in names:
            given[name] = self.aim.copy()
        for at, outlook in self.answered:
            both = by.plans(outlook, np.abs(self.aim[at]), self.kind.tolerance)
            for name, plan in zip(names, both, strict=True):
                given[name][at] = np.sign(self.aim[at]) * plan


def _only(part: dict, which: np.ndarray) -> dict:
    return {name: values[which] for name, values in part.items()}


def _records(
    practice: Practice,
    people: People,
    course: int,
    aim: np.ndarray,
    which: np.ndarray,
    given: dict[str, np.ndarray],
    judged: Judged,
    cells: _Cells,
) -> np.ndarray:
    """Every strategy's plan of every tooth ``which``, and what came of it; all in the aim's direction."""
    sign = np.where(aim < 0, -1.0, 1.0)
    tolerance = practice.kind.tolerance
    plans = {name: planned * sign for name, planned in given.items()}
    results = {
        name: practice.moved(people, course, planned) * sign for name, planned in given.items()
    }
    said = {name: np.full((len(people), len(by.STATED)), np.nan) for name in given}
    for names, at, outlook in judged:
        plan = np.stack([plans[name][at] for name in names])
        result = np.stack([results[name][at] for name in names])
        found = by.stated(outlook, plan, np.abs(aim[at]), result, tolerance)
        for name, one in zip(names, found, strict=True):
            said[name][at] = one
    parts = []
    for name in given:
        record = np.zeros(int(which.sum()), RECORD)
        record["patient"] = people.patient[which]
        record["known"] = course == 2
        record["strategy"] = by.STRATEGIES.index(name)
        record["tooth"] = people.tooth[which]
        record["sign"] = sign[which]
        record["class_patients"] = cells.class_patients[which]
        record["declined"] = cells.declined[which]
        record["aim"] = np.abs(aim)[which]
        record["plan"] = plans[name][which]
        record["result"] = results[name][which]
        record["tolerance"] = tolerance
        for k, column in enumerate(by.STATED):
            record[column] = said[name][which, k]
        parts.append(record)
    return np.concatenate(parts)


def block(engine: str, design: str, size: int, number: int, replicates: int) -> tuple[Any, dict]:
    """Practices of one block: their records, and what they took."""
    expect = engine_of(engine)
    parts: list[np.ndarray] = []
    total: dict[str, float] = {}
    for replicate in range(number * BLOCK, min((number + 1) * BLOCK, replicates)):
        records, spent = practice_records(expect, design, size, replicate)
        parts.append(records)
        total = {name: total.get(name, 0.0) + value for name, value in spent.items()}
    return np.concatenate(parts), total


def fingerprint(engine: str) -> str:
    """Of what engine and study make of three practices: blocks of another are not taken over."""
    seen = hashlib.sha256()
    for replicate, design in enumerate(("normal", "bends", "directions")):
        records, _ = practice_records(engine_of(engine), design, 8, replicate)
        for name in ("plan", "result", "within", "over"):
            seen.update(np.round(np.nan_to_num(records[name].astype(float)), 4).tobytes())
    return seen.hexdigest()[:12]


Job = tuple[str, str, int, int, int, str]


def _path(job: Job) -> Path | None:
    _, design, size, number, _, folder = job
    return Path(folder, f"{design.replace(' ', '_')}-{size}-{number}.npz") if folder else None


def _job(job: Job) -> tuple[Job, np.ndarray, dict]:
    engine, design, size, number, replicates, _ = job
    path = _path(job)
    if path is not None and path.exists():
        kept = np.load(path)
        return job, kept["records"], dict(zip(kept["names"].tolist(), kept["spent"], strict=True))
    records, spent = block(engine, design, size, number, replicates)
    if path is not None:
        partial = path.with_suffix(".part.npz")
        np.savez_compressed(
            partial, records=records, names=np.array(list(spent)), spent=list(spent.values())
        )
        partial.replace(path)  # a block is there whole or not at all
    return job, records, spent


def run(
    engine: str,
    designs: list[str],
    sizes: list[int],
    replicates: Mapping[int, int],
    *,
    folder: str = "",
    processes: int = 2,
    kept: bool = False,
) -> Iterator[tuple[str, int, np.ndarray, dict]]:
    """Blocks as they are done: design, size, records, what they took.

    Those kept in ``folder`` are taken from there, if they are of this engine (`fingerprint`);
    ``kept``: only those.
    """
    if folder:
        folder = str(Path(folder, fingerprint(engine)))
        Path(folder).mkdir(parents=True, exist_ok=True)
    numbers = range(-(-max(replicates.values()) // BLOCK))
    # the spared designs last, then numbers, so that a study that is stopped has much of each cell
    jobs = [
        (engine, design, size, k, replicates[size], folder)
        for spared in (False, True)
        for k in numbers
        for size in sizes
        for design in designs
        if k * BLOCK < replicates[size] and DESIGNS[design].spared == spared
    ]
    if kept:
        jobs = [job for job in jobs if (path := _path(job)) is not None and path.exists()]
    if processes == 1:
        done: Any = map(_job, jobs)
        for job, records, spent in done:
            yield job[1], job[2], records, spent
        return
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        for job, records, spent in pool.imap_unordered(_job, jobs):
            yield job[1], job[2], records, spent
