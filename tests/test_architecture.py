"""The order of the rooms: a module imports only from rooms above it in the list, without exception.

Counted are all imports, also those inside functions and those for types alone, of modules and of
public names (``from outcomes import fit_rate`` is an import from ``outcomes/rates``).
"""

import ast
import importlib
import subprocess
import sys
from collections.abc import Iterator
from importlib.util import resolve_name
from pathlib import Path

import pytest

import outcomes

PACKAGE = Path(outcomes.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
MOST_LINES = 450

ROOMS = [
    "errors",
    "paths",
    "progress",
    "plot_hook",
    "words",
    "domain",
    "cohort",
    "simulate",
    "mixed",
    "rates",
    "measure",
    "clinical",
    "predictive",
    "overcorrect",
    "ahead",
    "study",
    "figures",
    "reports",
    "__init__",
    "cli",
]
"""From the ground up. ``outcomes/__init__.py`` names what all rooms below it offer."""

REPORTS_GROUND = ["table", "files", "build", "common"]
REPORTS = ["audit", "overcorrection", "series", "depth", "study", "scans"]
"""Inside reports/: the ground in its order, then the reports, which do not import each other."""

HEAVY = (
    "numpy", "pandas", "matplotlib", "seaborn", "scipy", "statsmodels", "pingouin", "papermill",
    "rich",
)  # fmt: skip


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


NAMES = {module_name(path): path for path in MODULES}


def origin(module: str, name: str) -> str:
    """The module that ``from module import name`` takes ``name`` from."""
    if f"{module}.{name}" in NAMES:
        return f"{module}.{name}"
    listed = getattr(importlib.import_module(module), "_WHERE", {})
    if name not in listed:
        return module
    where = listed[name]
    return where if where.startswith("outcomes.") else resolve_name(f".{where}", module)


def imported(
    tree: ast.AST, where: str, *, typing: bool = True, functions: bool = True
) -> Iterator[tuple[str, int]]:
    """Modules of the package that are imported anywhere below a node, each with its line.

    ``typing`` counts imports for types alone, ``functions`` those inside functions.
    """
    for node in ast.iter_child_nodes(tree):
        found: list[str] = []
        if isinstance(node, ast.Import):
            found = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{where}:{node.lineno}: write the import in full"
            module = node.module or ""
            names = [alias.name for alias in node.names]
            found = [origin(module, name) for name in names] if module in NAMES else [module]
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            if typing:
                yield from imported(node, where, typing=typing, functions=functions)
        elif functions or not isinstance(node, ast.FunctionDef):
            yield from imported(node, where, typing=typing, functions=functions)
        yield from ((name, node.lineno) for name in found if name.split(".")[0] == "outcomes")


def imports_of(path: Path, **counted: bool) -> list[tuple[str, int]]:
    return list(imported(ast.parse(path.read_text(encoding="utf-8")), str(path), **counted))


def room_of(module: str) -> str:
    return (module.split(".")[1:] or ["__init__"])[0]


def may_import(module: str, other: str) -> bool:
    """Does the order of the rooms let ``module`` import from ``other``?"""
    room, source = room_of(module), room_of(other)
    if room != source or room != "reports":
        return ROOMS.index(source) <= ROOMS.index(room)
    inside, from_inside = ((name.split(".")[2:] or [""])[0] for name in (module, other))
    if inside == from_inside:
        return True
    if inside in REPORTS_GROUND:
        ground = REPORTS_GROUND
        return from_inside in ground[: ground.index(inside)]
    # reports/__init__.py names what the reports offer; a report stands on the ground alone
    return inside == "" or from_inside in REPORTS_GROUND


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_only_from_rooms_above_it_in_the_list(path):
    module = module_name(path)
    assert room_of(module) in ROOMS, f"{module} has no place in the order of rooms: give it one"
    wrong = [
        f"line {line}: {name}" for name, line in imports_of(path) if not may_import(module, name)
    ]
    assert not wrong, f"{module} may not import from there: {'; '.join(wrong)}"


def test_every_part_of_reports_has_its_place():
    parts = {
        path.relative_to(PACKAGE / "reports").parts[0]
        for path in MODULES
        if "reports" in path.parts
    }
    assert {part.removesuffix(".py") for part in parts} <= {*REPORTS_GROUND, *REPORTS, "__init__"}


@pytest.mark.parametrize(
    ("module", "other", "allowed"),
    [
        ("outcomes.rates.fit", "outcomes.mixed.fit", True),
        ("outcomes.rates.fit", "outcomes.rates.notes", True),
        ("outcomes.mixed.fit", "outcomes.rates.fit", False),
        ("outcomes.cohort.read", "outcomes", False),
        ("outcomes.reports.audit.words", "outcomes.reports.table", True),
        ("outcomes.reports.audit.words", "outcomes.reports.series.words", False),
        ("outcomes.reports.files.word", "outcomes.reports.build.run", False),
        ("outcomes.reports.table", "outcomes.reports.audit.words", False),
    ],
)
def test_the_order_itself(module, other, allowed):
    assert may_import(module, other) is allowed


def test_imports_are_found_wherever_they_stand():
    code = """
from typing import TYPE_CHECKING
if TYPE_CHECKING:
    from outcomes.study.plan import StudyPlan
def f():
    import outcomes.cli
    from outcomes import fit_rate, figures
    from outcomes.figures import alt_text
    from pandas import DataFrame
"""
    tree = ast.parse(code)
    assert [name for name, _ in imported(tree, "here")] == [
        "outcomes.study.plan", "outcomes.cli", "outcomes.rates.fit", "outcomes.figures",
        "outcomes.figures.base",
    ]  # fmt: skip
    assert "outcomes.study.plan" not in dict(imported(tree, "here", typing=False))


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Groups of modules that reach each other: strongly connected parts of more than one module."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    names = sorted(graph)
    at = {name: i for i, name in enumerate(names)}
    pairs = [(at[name], at[other]) for name in names for other in graph[name] if other in at]
    rows, columns = zip(*pairs, strict=True)
    matrix = csr_array(([1] * len(pairs), (rows, columns)), shape=(len(names), len(names)))
    _, label = connected_components(matrix, connection="strong")
    groups: dict[int, list[str]] = {}
    for name, number in zip(names, label, strict=True):
        groups.setdefault(int(number), []).append(name)
    return [group for group in groups.values() if len(group) > 1]


@pytest.mark.parametrize("functions", [False, True], ids=["when imported", "inside functions too"])
def test_no_modules_import_each_other(functions):
    """Nor in a longer circle; imports for types alone do not count."""
    graph = {
        name: {other for other, _ in imports_of(path, typing=False, functions=functions)}
        for name, path in NAMES.items()
    }
    assert circles(graph) == []


def test_circles_are_found():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}}) == [["a", "b", "c"]]
    assert not circles({"a": {"b", "c"}, "b": {"c"}, "c": set()})


def test_no_file_is_too_long_to_read():
    lines = {
        module_name(path): len(path.read_text(encoding="utf-8").splitlines()) for path in MODULES
    }
    assert {name: n for name, n in lines.items() if n > MOST_LINES} == {}


@pytest.mark.parametrize("name", ["outcomes", "outcomes.figures", "outcomes.reports"])
def test_every_public_name_is_there(name):
    package = importlib.import_module(name)
    for public in package._WHERE:
        assert origin(name, public) in NAMES
        assert getattr(package, public) is not None


@pytest.mark.parametrize("module", ["outcomes", "outcomes.cli"])
def test_nothing_heavy_is_imported_at_the_start(module):
    """What keeps `import outcomes` and `outcomes --help` quick; not timed here."""
    heavy = HEAVY if module == "outcomes" else HEAVY[:-1]
    code = f"import {module}, sys; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", ["outcomes", "outcomes.figures", "outcomes.reports"])
def test_no_public_name_is_also_a_module(name):
    """Importing the module would put it in the place of the function of that name."""
    package = importlib.import_module(name)
    inside = {module.removeprefix(f"{name}.") for module in NAMES if module.startswith(f"{name}.")}
    assert not inside & set(package._WHERE)
