"""The order of the steps: a module imports only from steps before it (design: architecture)."""

import ast
import importlib
import pkgutil
import subprocess
import sys
from pathlib import Path

import pytest

import outcomes

PACKAGE = Path(outcomes.__file__).parent

# Each step and what it may import. paths and cohort stand at the beginning; simulate hangs on
# cohort alone.
STEPS = [
    "paths",
    "progress",
    "cohort",
    "measure",
    "estimate",
    "calibrate",
    "plan",
    "figures",
    "report",
    "cli",
]
ALLOWED = {step: {*STEPS[: number + 1]} for number, step in enumerate(STEPS)}
ALLOWED["simulate"] = {"paths", "cohort", "simulate"}
# Planning a study simulates and fits: it stands after estimate and uses simulate as well.
ALLOWED["plan"] |= {"simulate"}
ALLOWED["__init__"] = {"paths"}

HEAVY = ("numpy", "pandas", "matplotlib", "scipy", "statsmodels", "pingouin", "papermill", "rich")


def step_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def outside_plot(tree: ast.AST):
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef) and node.name == "plot":
            continue
        yield node
        yield from outside_plot(node)


def imported_steps(path: Path) -> dict[str, int]:
    """Steps of the package that a module imports anywhere in it, with the line.

    Results draw themselves: what their method ``plot`` imports when it is called is not counted.
    """
    found: dict[str, int] = {}
    for node in outside_plot(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: write the import in full"
            names = [node.module or ""]
            if node.module == "outcomes":
                names = [f"outcomes.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "outcomes" and len(parts) > 1 and parts[1] != "__version__":
                found.setdefault(parts[1], node.lineno)
    return found


MODULES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_only_from_steps_before(path):
    step = step_of(path)
    assert step in ALLOWED, f"{step} has no place in the order of steps: give it one"
    for name, line in imported_steps(path).items():
        if name not in STEPS and name not in ALLOWED:
            # A public name (outcomes.fit_rate): the step that gives it decides.
            name = outcomes._WHERE[name].split(".")[1]
        assert name in ALLOWED[step], f"{path}:{line}: {step} may not import from {name}"


def test_every_public_name_is_there():
    for name in outcomes.__all__:
        assert getattr(outcomes, name) is not None


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
    modules = {module.name for module in pkgutil.iter_modules(package.__path__)}
    assert not modules & set(package._WHERE)
