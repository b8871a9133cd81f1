"""Which tests run which statement: every test file is run once, unchanged, and watched.

What a fixture or a cached helper runs counts for every test that uses it, not only for the first.
Statements are known by function and text, not by line, so a record outlives edits elsewhere.
"""

from __future__ import annotations

import ast
import functools
import re
import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import coverage
import pytest

TOGETHER = 2.0  # seconds that all cases of a test function may take to be run as one


@dataclass
class Record:
    """What a test file runs: seconds and needs of each passed test, the tests of a statement.

    Seconds are of this process, so that they hold on a busy machine too.
    """

    seconds: dict[str, float] = field(default_factory=dict)  # of a test without what it shares
    shared: dict[str, float] = field(default_factory=dict)  # of a fixture or cached helper
    needs: dict[str, list[str]] = field(default_factory=dict)  # test to fixtures and helpers
    runs: dict[str, list[str]] = field(default_factory=dict)  # statement to tests

    def as_json(self) -> dict[str, Any]:
        ids = list(self.seconds)
        number = {name: n for n, name in enumerate(ids)}
        return {
            "seconds": [[name, round(s, 4)] for name, s in self.seconds.items()],
            "shared": {name: round(s, 4) for name, s in self.shared.items()},
            "needs": self.needs,
            "runs": {key: [number[t] for t in tests] for key, tests in self.runs.items()},
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Record:
        ids = [name for name, _ in data["seconds"]]
        runs = {key: [ids[n] for n in tests] for key, tests in data["runs"].items()}
        return cls(dict(map(tuple, data["seconds"])), data["shared"], data["needs"], runs)

    def add(self, other: Record) -> None:
        self.seconds |= other.seconds
        self.shared |= other.shared
        self.needs |= other.needs
        for key, tests in other.runs.items():
            self.runs.setdefault(key, []).extend(tests)


class Watch:
    """A pytest plugin that notes who runs what, by contexts of coverage."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.cover = coverage.Coverage(
            data_file=None, config_file=False, include=[f"{root}/outcomes/*"]
        )
        self.stack: list[str] = [""]
        self.began: list[float] = [0.0]
        self.nested: list[float] = [0.0]  # seconds spent in what was entered from here
        self.uses: dict[str, set[str]] = defaultdict(set)
        self.seconds: dict[str, float] = {}
        self.passed: list[str] = []

    def enter(self, name: str) -> None:
        self.uses[self.stack[-1]].add(name)
        self.stack.append(name)
        self.began.append(time.process_time())
        self.nested.append(0.0)
        self.cover.switch_context(name)

    def leave(self) -> None:
        name, nested = self.stack.pop(), self.nested.pop()
        seconds = time.process_time() - self.began.pop()
        self.nested[-1] += seconds
        self.seconds[name] = seconds - nested
        self.cover.switch_context(self.stack[-1] or "nothing")

    def watch_caches(self) -> None:
        """Let cached functions of this tree say who uses them, as the second use runs nothing."""
        ours = str(self.root)
        cached = functools.lru_cache

        def watched(fn: Callable[..., Any], keep: Callable[..., Any]) -> Callable[..., Any]:
            code = getattr(fn, "__code__", None)
            if code is None or not code.co_filename.startswith(ours):
                return keep(fn)
            name = f"cached:{code.co_filename}:{fn.__qualname__}"

            @functools.wraps(fn)
            def fill(*args: Any, **kwargs: Any) -> Any:
                self.enter(name)
                try:
                    return fn(*args, **kwargs)
                finally:
                    self.leave()

            stored = keep(fill)

            @functools.wraps(fn)
            def ask(*args: Any, **kwargs: Any) -> Any:
                self.uses[self.stack[-1]].add(name)
                return stored(*args, **kwargs)

            ask.cache_clear = stored.cache_clear  # type: ignore[attr-defined]
            ask.cache_info = stored.cache_info  # type: ignore[attr-defined]
            return ask

        def lru_cache(maxsize: Any = 128, typed: bool = False) -> Any:
            if callable(maxsize):
                return watched(maxsize, cached(maxsize=128))
            return lambda fn: watched(fn, cached(maxsize=maxsize, typed=typed))

        functools.lru_cache = lru_cache  # type: ignore[assignment]
        functools.cache = lambda fn: watched(fn, cached(maxsize=None))  # type: ignore[assignment]

    @pytest.hookimpl(hookwrapper=True)
    def pytest_pycollect_makemodule(self, module_path: Path) -> Any:
        outcome = yield
        module = outcome.get_result()
        if module is not None:
            inner = module._getobj

            def watched_import() -> Any:
                self.enter(f"import:{module_path}")
                try:
                    return inner()
                finally:
                    self.leave()

            module._getobj = watched_import

    @pytest.hookimpl(hookwrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Any:
        self.enter(f"fixture:{fixturedef.baseid}:{fixturedef.argname}")
        yield
        self.leave()

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: Any) -> Any:
        name = f"test:{item.nodeid}"
        info = getattr(item, "_fixtureinfo", None)
        for definitions in getattr(info, "name2fixturedefs", {}).values():
            self.uses[name] |= {f"fixture:{one.baseid}:{one.argname}" for one in definitions}
        self.uses[name].add(f"import:{item.path}")
        self.enter(name)
        yield
        self.leave()

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.when == "call" and report.passed and not hasattr(report, "wasxfail"):
            self.passed.append(report.nodeid)

    def record(self) -> Record:
        out = Record()
        users: dict[str, list[str]] = defaultdict(list)
        for test in self.passed:
            needed = self._reached(f"test:{test}")
            for context in needed:
                users[context].append(test)
            needed = sorted(name for name in needed if name in self.seconds)
            needed.remove(f"test:{test}")
            out.seconds[test] = self.seconds[f"test:{test}"]
            out.needs[test] = needed
            out.shared |= {name: self.seconds[name] for name in needed}
        data = self.cover.get_data()
        found: dict[str, set[str]] = defaultdict(set)
        for path in data.measured_files():
            file = str(Path(path).relative_to(self.root))
            keys = statement_keys(file, Path(path).read_text(encoding="utf-8"))
            for line, contexts in data.contexts_by_lineno(path).items():
                if line in keys:
                    for context in contexts:
                        found[keys[line]].update(users.get(context, ()))
        order = {name: n for n, name in enumerate(out.seconds)}
        out.runs = {k: sorted(v, key=lambda t: order[t]) for k, v in found.items() if v}
        return out

    def _reached(self, name: str) -> set[str]:
        seen, todo = {name}, [name]
        while todo:
            for other in self.uses.get(todo.pop(), ()):
                if other not in seen:
                    seen.add(other)
                    todo.append(other)
        return seen


@functools.cache
def statement_keys(file: str, source: str) -> dict[int, str]:
    """Each line inside a function, with ``file|function|text of its statement``."""
    lines = source.splitlines()
    keys: dict[int, str] = {}

    def visit(nodes: Iterable[ast.AST], names: tuple[str, ...], inside: bool) -> None:
        for node in nodes:
            body = getattr(node, "body", None)
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                visit(node.body, (*names, node.name), not isinstance(node, ast.ClassDef))
                continue
            if isinstance(node, ast.stmt) and inside:
                last = node.end_lineno or node.lineno
                if isinstance(body, list) and body:
                    last = max(node.lineno, body[0].lineno - 1)
                text = " ".join(line.strip() for line in lines[node.lineno - 1 : last])
                for line in range(node.lineno, last + 1):
                    keys[line] = f"{file}|{'.'.join(names)}|{text}"
            if isinstance(node, ast.stmt | ast.excepthandler | ast.match_case):
                visit(ast.iter_child_nodes(node), names, inside)

    visit(ast.parse(source).body, (), False)
    return keys


def file_of(test: str) -> str:
    return test.split("::")[0]


def nearest(
    record: Record,
    root: Path,
    file: str,
    function: str,
    lines: tuple[int, int],
    source: str,
    seconds: float,
    most: int = 1000,
) -> tuple[list[str], float, str]:
    """Tests that run a statement, the quickest first until ``seconds`` are spent.

    Returned with the seconds they take and how they were found.
    """
    keys = statement_keys(file, source)
    wanted = {keys[n] for n in range(lines[0], lines[1] + 1) if n in keys}
    how = "statement"
    tests = {test for key in wanted for test in record.runs.get(key, ())}
    closest: set[str] = set()
    if not tests:
        # What runs when the module is imported runs in no test: who reads its name is near.
        how = "name"
        names = _names(source, function, lines)
        read = {t for key in _readers(root, names) for t in record.runs.get(key, ())}
        closest = _mentioned(root, record, names)
        tests = read | closest
    starts = {"function": (f"{file}|{function}|", f"{file}|{function}."), "module": (f"{file}|",)}
    for wider, start in starts.items():
        if not tests and (function or wider == "module"):
            how = wider
            tests = {t for key, ts in record.runs.items() if key.startswith(start) for t in ts}
    stem = Path(file).stem

    def alone(test: str) -> float:
        return record.seconds[test] + sum(record.shared[name] for name in record.needs[test])

    # One case of each test function before the second of any: what is checked differs most so.
    # A function whose cases take no time together goes as a whole: a table of them is one check.
    turn: dict[str, int] = {}
    cases: dict[str, int] = defaultdict(int)
    whole: dict[str, float] = defaultdict(float)
    for test in tests:
        whole[test.split("[")[0]] += record.seconds[test]
    for test in sorted(tests, key=lambda t: (alone(t), t)):
        function_of = test.split("[")[0]
        turn[test] = 0 if whole[function_of] <= TOGETHER else cases[function_of]
        cases[function_of] += 1
    spent, chosen, paid = 0.0, [], set()
    for test in sorted(
        tests, key=lambda t: (alone(t) > 2, t not in closest, turn[t], stem not in t, alone(t), t)
    ):
        new = {name for name in record.needs[test] if name not in paid}
        cost = record.seconds[test] + sum(record.shared[name] for name in new) + 0.005
        if chosen and spent + cost > seconds:
            continue
        spent += cost
        paid |= new
        chosen.append(test)
        if len(chosen) == most:
            break
    by_file: dict[str, list[str]] = defaultdict(list)
    for test in chosen:
        by_file[test.split("::")[0]].append(test)
    files = sorted(
        by_file,
        key=lambda name: (stem not in name, sum(record.seconds[t] for t in by_file[name])),
    )
    return [test for name in files for test in by_file[name]], spent, how


def _names(source: str, function: str, lines: tuple[int, int]) -> set[str]:
    """Names that a statement run at import gives, and those the module makes of them."""
    body = ast.parse(source).body
    names = {function.split(".")[0]} if function else set()
    for node in body:
        if node.lineno <= lines[0] <= (node.end_lineno or 0):
            names |= _given(node)
    while True:
        more = set(names)
        for node in body:
            inside = isinstance(node, ast.FunctionDef | ast.Import | ast.ImportFrom)
            if not inside and names & {n.id for n in ast.walk(node) if isinstance(n, ast.Name)}:
                more |= _given(node)
        if more == names:
            return names
        names = more


def _given(node: ast.stmt) -> set[str]:
    if isinstance(node, ast.ClassDef | ast.FunctionDef):
        return {node.name}
    targets = [*getattr(node, "targets", ()), getattr(node, "target", None)]
    return {target.id for target in targets if isinstance(target, ast.Name)}


def _mentioned(root: Path, record: Record, names: set[str]) -> set[str]:
    """Tests of the files that name one of them."""
    word = _word(names)
    files = {test.split("::")[0] for test in record.seconds}
    naming = {
        name
        for name in files
        if name.startswith("tests/") and word.search((root / name).read_text(encoding="utf-8"))
    }
    return {test for test in record.seconds if test.split("::")[0] in naming}


def _word(names: set[str]) -> re.Pattern[str]:
    return re.compile(rf"\b({'|'.join(map(re.escape, sorted(names)))})\b" if names else r"(?!)")


def _readers(root: Path, names: set[str]) -> set[str]:
    word = _word(names)
    found: set[str] = set()
    for path in (root / "outcomes").rglob("*.py"):
        source = path.read_text(encoding="utf-8")
        if word.search(source):
            keys = statement_keys(str(path.relative_to(root)), source)
            found |= {key for key in keys.values() if word.search(key.split("|", 2)[2])}
    return found
