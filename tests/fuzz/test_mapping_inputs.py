"""A few random layouts are mapped in every run of the tests; more by hand, see README.md."""

import pytest

from tests.fuzz import mapping


@pytest.mark.parametrize("start", [1, 21])
def test_random_layouts_are_mapped_without_a_failure(start):
    found = [mapping.one(seed) for seed in range(start, start + 20)]
    assert [wrong for _, wrong in found if wrong] == []
    assert {"read", "no mapping", "nothing left"} <= {kind for kind, _ in found}
