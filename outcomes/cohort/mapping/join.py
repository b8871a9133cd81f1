"""Records of one movement that stand in several places of a file, joined to one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from outcomes.cohort.cells import by_unique, clean_text, texts
from outcomes.cohort.mapping.parts import OWN, PLACE, TROUBLE, Found, Records, Trouble
from outcomes.cohort.mapping.spec import NUMBERS, Mapping, said_word
from outcomes.domain.teeth import tooth_token

KEY = ("patient", "tooth", "movement", "course")


def join(lists: list[Records], mapping: Mapping) -> Records:
    """All records as one table, those of one movement joined where each gives other numbers.

    Two rows of one place with the same patient, tooth, movement and course are not joined with
    anything: which belongs to which cannot be told.

    Returns
    -------
    Records
        With every column that any list has; what a list lacks is blank.
    """
    found = tuple(f for records in lists for f in records.found)
    own = tuple(dict.fromkeys(name for records in lists for name in records.own))
    held = [records for records in lists if len(records.frame)]
    if not held:
        return Records(pd.DataFrame(), own, found)
    groups: dict[tuple[str, ...], list[pd.DataFrame]] = {}
    for records in held:
        groups.setdefault(records.numbers, []).append(records.frame)
    frames = [pd.concat(parts, ignore_index=True) for parts in groups.values()]
    joined = frames[0].assign(key=_keys(frames[0], mapping))
    for other in frames[1:]:
        joined, more = _joined(joined, other.assign(key=_keys(other, mapping)))
        found += more
    return Records(joined.drop(columns="key").reset_index(drop=True), own, found)


def _keys(frame: pd.DataFrame, mapping: Mapping) -> np.ndarray:
    """Patient, tooth, movement and course of each record in one spelling."""
    meant = {said_word(word): movement for word, (movement, _) in mapping.movements.items()}
    spell: dict[str, Callable[[object], object]] = {
        "patient": clean_text,
        "tooth": tooth_token,
        "movement": lambda v: meant.get(said_word(v), said_word(v)),
        "course": str,
    }
    key = np.full(len(frame), "", dtype=object)
    for name, how in spell.items():
        if name in frame:
            words = frame[name] if name == "tooth" else pd.Series(texts(frame[name]), dtype=object)
            part = by_unique(words, how)
        else:
            part = np.full(len(frame), "", dtype=object)
        if name == "course":
            part = np.where(part == "", "1", part)
        for more in ("arch", "side", "quadrant") if name == "tooth" else ():
            if more in frame:
                part = part + ("|" + by_unique(frame[more], said_word))
        key = key + ("\n" + part)
    return key


def _joined(left: pd.DataFrame, right: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Found, ...]]:
    """Records of two places; those of one key that give different numbers become one."""
    both = left["key"].isin(right["key"]), right["key"].isin(left["key"])
    many = set(left["key"][left["key"].duplicated(keep=False) & both[0]])
    many |= set(right["key"][right["key"].duplicated(keep=False) & both[1]])
    given = [name for name in NUMBERS if name in right]
    already = [name for name in given if name in left]
    clash = set()
    if already:
        written = left[left["key"].isin(right["key"])]
        has = np.column_stack([texts(written[name]) != "" for name in already]).any(axis=1)
        clash = set(written["key"].to_numpy()[has])
    free = ~right["key"].isin(many | clash) & both[1]
    partner = right[free].set_index("key")
    merged = left.copy()
    at = merged["key"].isin(partner.index)
    picked = partner.loc[merged.loc[at, "key"]]
    disagree: list[str] = []
    for name in partner.columns:
        if name in ("row", TROUBLE, *KEY):
            continue
        cells = picked[name].to_numpy(object)
        if name not in merged:
            merged[name] = pd.Series(None, index=merged.index, dtype=object)
        here = merged.loc[at, name]
        if name == PLACE:
            merged.loc[at, name] = [f"{a} with {b}" for a, b in zip(here, cells, strict=True)]
            continue
        blank = texts(here) == ""
        differ = ~blank & (texts(pd.Series(cells, dtype=object)) != "")
        differ &= texts(here) != texts(pd.Series(cells, dtype=object))
        disagree += [name] * int(differ.sum())
        merged.loc[at, name] = np.where(blank, cells, here.to_numpy(object))
    rest = right[~free]
    table = pd.concat([merged, rest], ignore_index=True)
    if many:
        remedy = (
            "Number the courses, or delete the wrong row: which of them belongs to the number in "
            "the other place cannot be told."
        )
        problem = "several rows of one patient + tooth + movement + course: they cannot be joined"
        why = table[TROUBLE].to_numpy(object).copy()
        for i in np.flatnonzero(table["key"].isin(many).to_numpy()):
            why[i] = why[i] or Trouble("", "", problem, remedy)
        table[TROUBLE] = why
    return table, _unmatched(left, right, both, disagree)


def _unmatched(
    left: pd.DataFrame, right: pd.DataFrame, both: tuple[pd.Series, pd.Series], disagree: list[str]
) -> tuple[Found, ...]:
    found = []
    for frame, has in ((left, both[0]), (right, both[1])):
        alone = frame[~has & frame[TROUBLE].isna()]
        if len(alone):
            given = ", ".join(name for name in NUMBERS if name in frame)
            found.append(
                Found(
                    f"{len(alone)} of {len(frame)} records with {given} have no partner in the "
                    f"other place; the first is {alone[PLACE].iloc[0]}",
                    "Compare patient, tooth, movement and course: a code spelt otherwise is not "
                    "found.",
                )
            )
    for name in dict.fromkeys(disagree):
        found.append(
            Found(
                f"the two places differ in {name.removeprefix(OWN)} in {disagree.count(name)} "
                f"records; the first place is used",
                "Correct one of them.",
            )
        )
    return tuple(found)
