"""Tooth numbers against ISO 3950 and the ADA's Universal numbering."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.domain import teeth

# Universal numbers (ADA) and the FDI numbers (ISO 3950) of the same teeth: from memory.
UNIVERSAL = {
    "1": 18, "3": 16, "6": 13, "8": 11, "9": 21, "11": 23, "14": 26, "16": 28,
    "17": 38, "19": 36, "22": 33, "24": 31, "25": 41, "27": 43, "30": 46, "32": 48,
    "A": 55, "C": 53, "E": 51, "F": 61, "J": 65, "K": 75, "O": 71, "P": 81, "T": 85,
}  # fmt: skip
QUADRANT = {"UR3": 13, "UL1": 21, "LL6": 36, "LR8": 48, "URE": 55, "ULA": 61, "LLC": 73, "LRD": 84}


@pytest.mark.parametrize(("token", "fdi"), UNIVERSAL.items())
def test_universal_numbers_mean_the_teeth_the_ada_gives_them(token, fdi):
    assert teeth.parse_tooth(token, "universal") == fdi


@pytest.mark.parametrize(("token", "fdi"), QUADRANT.items())
def test_quadrant_shorthand(token, fdi):
    assert teeth.parse_tooth(token, "quadrant") == fdi


def test_fdi_has_32_permanent_and_20_deciduous_teeth():
    # ISO 3950: eight positions in quadrants 1-4, five in quadrants 5-8.
    expected = [10 * q + n for q in range(1, 5) for n in range(1, 9)]
    expected += [10 * q + n for q in range(5, 9) for n in range(1, 6)]
    assert sorted(expected) == list(teeth.FDI_TEETH)


@pytest.mark.parametrize("notation", ["universal", "quadrant"])
def test_each_notation_names_each_tooth_exactly_once(notation):
    assert sorted(teeth.TOKENS[notation].values()) == list(teeth.FDI_TEETH)


@given(st.sampled_from(teeth.FDI_TEETH))
def test_fdi_is_read_as_number_text_and_with_a_point(fdi):
    assert teeth.parse_tooth(fdi) == teeth.parse_tooth(f" {fdi}.0") == fdi
    assert teeth.parse_tooth(f"{fdi // 10}.{fdi % 10}") == fdi


@given(st.lists(st.sampled_from(teeth.FDI_TEETH), min_size=1), st.sampled_from(teeth.NOTATIONS))
def test_many_teeth_are_read_as_one_by_one(fdi, notation):
    token = {v: k for k, v in teeth.TOKENS[notation].items()}
    tokens = [token[tooth] for tooth in fdi]
    assert teeth.parse_teeth(tokens, notation).tolist() == [
        teeth.parse_tooth(t, notation) for t in tokens
    ]


@pytest.mark.parametrize("wrong", [0, 10, 19, 29, 49, 56, 99, 13.5, "", None, "UR9", "x", True])
def test_no_tooth_is_an_error_that_says_what_to_use(wrong):
    with pytest.raises(ValueError, match="FDI numbers 11-18"):
        teeth.parse_tooth(wrong, "fdi")


def test_class_arch_side_of_every_kind_of_tooth():
    # Common practice, no source: positions 1-2 incisors, 3 canine, 4-5 premolars (deciduous:
    # molars), 6-8 molars; quadrants 1, 2, 5, 6 above; 1, 4, 5, 8 on the patient's right.
    numbers = [11, 22, 33, 44, 15, 26, 37, 48, 52, 63, 74, 85]
    assert list(teeth.tooth_class(numbers)) == [
        "incisor", "incisor", "canine", "premolar", "premolar", "molar", "molar", "molar",
        "incisor", "canine", "molar", "molar",
    ]  # fmt: skip
    assert list(teeth.arch([11, 22, 33, 44, 55, 66 - 1, 75, 85])) == ["upper"] * 2 + [
        "lower",
        "lower",
        "upper",
        "upper",
        "lower",
        "lower",
    ]
    assert list(teeth.side([11, 22, 33, 44, 55, 65, 75, 85])) == [
        "right", "left", "left", "right", "right", "left", "left", "right",
    ]  # fmt: skip
    assert teeth.tooth_class(np.array([11])).ordered
    with pytest.raises(ValueError, match="99"):
        teeth.tooth_class([11, 99])


@pytest.mark.parametrize(
    ("tokens", "notation"),
    [
        (["11", "36", "48"], "fdi"),
        (["51", "13"], "fdi"),
        (["13", "33"], "fdi"),
        (["8", "14"], "universal"),
        (["12", "29"], "universal"),
        (["A", "14"], "universal"),
        (["UR3", "LL6"], "quadrant"),
        (["13", "23"], None),  # FDI canines, or Universal premolar and canine
        (["11", "31", "32", "28"], None),
        (["8", "36"], None),
        (["UR3", "36"], None),
        (["?", "49", "33"], "fdi"),
    ],
)
def test_a_column_of_teeth_settles_its_notation_or_leaves_it_open(tokens, notation):
    assert teeth.settle_notation(tokens).notation == notation


@given(st.lists(st.sampled_from([str(t) for t in teeth.FDI_TEETH]), min_size=1))
def test_teeth_written_in_fdi_are_never_taken_for_another_notation(tokens):
    assert teeth.settle_notation(tokens).notation in ("fdi", None)


@given(st.lists(st.sampled_from(sorted(teeth.TOKENS["universal"])), min_size=1))
def test_teeth_written_in_universal_are_never_taken_for_another_notation(tokens):
    assert teeth.settle_notation(tokens).notation in ("universal", None)
