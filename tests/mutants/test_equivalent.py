"""The list of faults that no test can see holds only faults of code that is still there."""

import tomllib
from pathlib import Path

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
LISTED = tomllib.loads((HERE / "equivalent.toml").read_text(encoding="utf-8")).get("mutant", [])


@pytest.mark.parametrize("one", LISTED, ids=lambda one: f"{one['file']}:{one['function']}")
def test_listed_fault_is_of_code_that_is_there(one):
    assert set(one) == {"file", "function", "before", "after", "reason"}
    assert len(one["reason"].split()) >= 4, "say why nobody can see it"
    assert one["before"] != one["after"]
    lines = [line.strip() for line in (ROOT / one["file"]).read_text(encoding="utf-8").splitlines()]
    gone = [line for line in one["before"].splitlines() if line not in lines]
    assert not gone, "the code changed: remove the entry from equivalent.toml"
    name = one["function"].rsplit(".", 1)[-1]
    assert not name or any(line.startswith((f"def {name}(", f"class {name}")) for line in lines)


def test_each_fault_is_listed_once():
    keys = [(one["file"], one["function"], one["before"], one["after"]) for one in LISTED]
    assert len(keys) == len(set(keys))
