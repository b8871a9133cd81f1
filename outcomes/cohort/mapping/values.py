"""From the numbers and words of a file to planned and achieved changes with the schema's signs.

A number that nothing has to be done to stays as typed. One that cannot be worked out makes its
record unusable, with the reason; nothing is guessed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.cohort.cells import by_unique, clean_text, numbers, texts
from outcomes.cohort.mapping.parts import TROUBLE, Found, Trouble, with_unit
from outcomes.cohort.mapping.spec import Mapping, said_word
from outcomes.domain.languages import arch_meaning, course_meaning, side_meaning
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.teeth import TOKENS, quadrant_number, tooth_token

RESULTS = ("planned", "achieved", "aim")

#: Decimals kept of a difference, so that 5.3 − 3.1 is 2.2.
DECIMALS = 9

QUADRANTS = {
    ("upper", "right"): 1,
    ("upper", "left"): 2,
    ("lower", "left"): 3,
    ("lower", "right"): 4,
}
"""FDI quadrants (ISO 3950)."""


class Numbers:
    """The numbers of joined records while they are worked out, and what keeps some from it.

    Cells of a number that cannot be read stay as typed: the reading of columns lists them.
    """

    def __init__(self, frame: pd.DataFrame, names: tuple[str, ...]) -> None:
        self.frame = frame
        self.trouble = frame[TROUBLE].to_numpy(object).copy()
        self.values: dict[str, np.ndarray] = {}
        self.units: dict[str, np.ndarray] = {}
        self.unread: dict[str, np.ndarray] = {}
        for name in names:
            if name in frame:
                read = numbers(frame[name])
                self.values[name], self.units[name] = read.values, read.units
                self.unread[name] = read.trouble != ""
        self.changed: set[str] = set()

    def fail(self, where: np.ndarray, column: str, problem: str, remedy: str) -> None:
        """Make the records in ``where`` unusable, but those that are already."""
        cells = self.frame.get(column, None)
        for i in np.flatnonzero(where & (self.trouble == None)):  # noqa: E711
            value = "" if cells is None else clean_text(cells.iloc[i])
            self.trouble[i] = Trouble(column, value, problem, remedy)

    def set(self, name: str, values: np.ndarray, unit_of: str) -> None:
        """Give a number new values."""
        with np.errstate(over="ignore"):
            values = np.round(values, DECIMALS)
        remedy = "Type the value that was measured, or leave it blank."
        self.fail(np.isinf(values), name, "too large to be worked out", remedy)
        self.values[name] = np.where(np.isinf(values), np.nan, values)
        self.units[name] = self.units[unit_of]
        self.unread.setdefault(name, self.unread[unit_of])
        self.changed.add(name)

    def cells(self) -> dict[str, np.ndarray]:
        """Cells of every number that has changed."""
        columns = {}
        for name in self.changed:
            typed = self.frame[name] if name in self.frame else pd.Series(None, self.frame.index)
            cells = np.full(len(self.frame), None, dtype=object)
            values = self.values[name]
            fine = np.isfinite(values)
            cells[fine] = [
                with_unit(v, u) for v, u in zip(values[fine], self.units[name][fine], strict=True)
            ]
            unread = self.unread[name]
            cells[unread] = typed.to_numpy(object)[unread]
            columns[name] = cells
        return columns


def settle(frame: pd.DataFrame, mapping: Mapping) -> tuple[pd.DataFrame, tuple[Found, ...]]:
    """Joined records with the schema's movements, teeth, signs and changes.

    Parameters
    ----------
    frame
        Records, n rows, as ``join`` gives them.
    mapping
        How they are read.

    Returns
    -------
    pandas.DataFrame
        n rows; columns that served only to work them out are gone.
    tuple of Found
        What has to be looked at.
    """
    movement, word_sign = _movements(frame, mapping)
    work = Numbers(frame, (*RESULTS, "start", "remaining", "percent"))
    _changes(work, mapping)
    _achieved(work)
    _signs(work, mapping, movement, word_sign)
    found = _per_course(work, movement) if mapping.counted_from == "treatment" else ()
    frame = frame.assign(movement=movement, tooth=_teeth(frame, work), **work.cells())
    if "course" in frame:
        frame["course"] = by_unique(frame["course"], _course)
    if "attachment" in frame:
        meant = {said_word(word): value for word, value in mapping.attachments.items()}
        frame["attachment"] = by_unique(frame["attachment"], lambda v: meant.get(said_word(v), v))
    spent = ["start", "remaining", "percent", "direction", "arch", "side", "quadrant", "kind"]
    frame[TROUBLE] = work.trouble
    return frame.drop(columns=[c for c in spent if c in frame]), found


def _movements(frame: pd.DataFrame, mapping: Mapping) -> tuple[np.ndarray, np.ndarray]:
    """Movement of each record, as typed where no word of the mapping is, and the sign its word has."""
    cells = frame["movement"] if "movement" in frame else pd.Series(None, frame.index, dtype=object)
    meant = {said_word(word): said for word, said in mapping.movements.items()}
    names = by_unique(cells, lambda v: meant[said_word(v)][0] if said_word(v) in meant else v)
    signs = by_unique(cells, lambda v: meant[said_word(v)][1] if said_word(v) in meant else 0)
    return names, signs.astype(int)


def _course(cell: object) -> object:
    """A course by its number where words say it, as in "first" or "2. Serie"; else as typed."""
    text = clean_text(cell)
    if not text or np.isfinite(numbers(pd.Series([cell], dtype=object)).values[0]):
        return cell
    return course_meaning(text) or course_meaning(f"course {text}") or cell


def _teeth(frame: pd.DataFrame, work: Numbers) -> np.ndarray:
    """Tooth of each record; position in the arch, arch and side make an FDI number."""
    teeth = frame["tooth"].to_numpy(object)
    if not {"arch", "side", "quadrant"} & set(frame):
        return teeth
    place = by_unique(frame["tooth"], tooth_token)
    quadrant = np.zeros(len(frame), dtype=int)
    if "quadrant" in frame:
        quadrant = by_unique(frame["quadrant"], quadrant_number).astype(int)
    if {"arch", "side"} <= set(frame):
        arch, side = by_unique(frame["arch"], arch_meaning), by_unique(frame["side"], side_meaning)
        both = [QUADRANTS.get((a, s), 0) for a, s in zip(arch, side, strict=True)]
        quadrant = np.where(quadrant == 0, both, quadrant)
    alone = np.isin(place, [str(n) for n in range(1, 9)])
    if not {"quadrant"} & set(frame) and not {"arch", "side"} <= set(frame):
        return teeth
    work.fail(
        alone & (quadrant == 0),
        "tooth",
        "which quadrant the tooth stands in is not told",
        "Fill in upper or lower and right or left, or the quadrant.",
    )
    whole = by_unique(frame["tooth"], lambda v: TOKENS["fdi"].get(tooth_token(v), 0)).astype(int)
    work.fail(
        (whole > 0) & (quadrant > 0) & (whole // 10 != quadrant),
        "tooth",
        "the tooth number stands in another quadrant than its row says",
        "Correct one of them.",
    )
    full = [
        f"{q}{p}" if a and q else t
        for q, p, a, t in zip(quadrant, place, alone, teeth, strict=True)
    ]
    return np.array(full, dtype=object)


def _changes(work: Numbers, mapping: Mapping) -> None:
    """Positions minus the start."""
    if mapping.values != "positions":
        return
    start = work.values.get("start", np.full(len(work.frame), np.nan))
    for name in (*RESULTS, "remaining"):
        if name == "remaining" or name not in work.values:
            continue
        given = np.isfinite(work.values[name])
        lost = given & ~np.isfinite(start)
        remedy = "Fill in the start: without it a position says nothing of the change."
        work.fail(lost, "start", "the start is blank or cannot be read", remedy)
        differ = given & (work.units[name] != "") & (work.units["start"] != "")
        differ &= work.units[name] != work.units["start"]
        remedy = "Correct one of the units."
        work.fail(differ, name, "the start has another unit", remedy)
        work.set(name, work.values[name] - start, name)


def _achieved(work: Numbers) -> None:
    """What was achieved, from what remained or from a percentage."""
    planned = work.values.get("planned")
    for name in ("remaining", "percent"):
        if name not in work.values or planned is None:
            continue
        given = work.values[name]
        with np.errstate(over="ignore", invalid="ignore"):  # numbers near the largest there is
            found = planned - given if name == "remaining" else planned * given / 100
        strange = work.unread[name]
        work.fail(strange, name, "not a number", "Write one number in the cell.")
        if "achieved" in work.values:
            found = np.where(np.isfinite(work.values["achieved"]), work.values["achieved"], found)
        work.set("achieved", found, "planned")


def _signs(work: Numbers, mapping: Mapping, movement: np.ndarray, of_word: np.ndarray) -> None:
    """Signs from words, and of movements whose signs are the other way round."""
    sign = of_word.copy()
    if "direction" in work.frame:
        meant = {(m, said_word(w)): s for (m, w), s in mapping.directions.items()}
        words = by_unique(work.frame["direction"], said_word)
        said = np.array([meant.get((str(m), w), 0) for m, w in zip(movement, words, strict=True)])
        work.fail(
            (sign != 0) & (said != 0) & (sign != said),
            "direction",
            "the words for movement and direction contradict each other",
            "Correct one of them.",
        )
        sign = np.where(sign == 0, said, sign)
    known = np.isin(movement.astype(str), list(MOVEMENTS))
    if mapping.sign == "words":
        planned = work.values.get("planned", np.full(len(sign), np.nan))
        moves = np.zeros(len(sign), dtype=bool)
        for name in RESULTS:
            if name in work.values:
                moves |= np.nan_to_num(work.values[name]) != 0
        work.fail(
            known & (sign == 0) & moves,
            "direction",
            "no word says which way",
            "Fill in the direction, or say in the mapping what its word means.",
        )
        work.fail(
            known & (planned < 0),
            "planned",
            "a number with a sign, where a word gives the direction",
            "Take away the sign, or correct the word: which of them holds cannot be told.",
        )
        factor = np.where(sign == 0, 1, sign)
    else:
        factor = np.ones(len(sign), dtype=int)
        turned = np.isin(movement.astype(str), mapping.reversed_signs)
        planned = work.values.get("planned", np.zeros(len(sign)))
        way = np.sign(np.nan_to_num(planned)) * np.where(turned, -1, 1)
        work.fail(
            known & (sign != 0) & (way != 0) & (way != sign),
            "planned",
            "the sign of the number and the word for the direction contradict each other",
            "Correct one of them, or say in the mapping that only the word counts.",
        )
    factor = np.where(np.isin(movement.astype(str), mapping.reversed_signs), -factor, factor)
    if (factor == 1).all():
        return
    for name in RESULTS:
        if name in work.values:
            work.set(name, work.values[name] * factor + 0.0, name)


def _per_course(work: Numbers, movement: np.ndarray) -> tuple[Found, ...]:
    """Changes in each course, from numbers counted from the first scan of the treatment."""
    frame = work.frame
    if "course" not in frame or "achieved" not in work.values:
        return ()
    course = numbers(frame["course"]).values
    course = np.where(np.isfinite(course), course, 1)
    rows = pd.DataFrame(
        {
            "patient": texts(frame["patient"]),
            "tooth": by_unique(frame["tooth"], tooth_token),
            "movement": movement.astype(str),
            "course": course,
        }
    )
    of = ["patient", "tooth", "movement"]
    reached = rows.assign(before=work.values["achieved"], known=True, course=course + 1)
    reached = reached.drop_duplicates([*of, "course"])
    found = rows.merge(reached, on=[*of, "course"], how="left")
    none = found["known"].isna().to_numpy() & (course > 1)
    first = rows.groupby(of)["course"].transform("min").to_numpy()
    late = none & (first == course)
    before = np.where(found["known"].isna(), 0.0, found["before"].to_numpy(float))
    work.fail(
        (none & ~late) | ~np.isfinite(before),
        "course",
        "what the course before had reached is not known",
        "Fill in what was achieved in the course before: without it the change in this one "
        "cannot be worked out.",
    )
    for name in RESULTS:
        if name in work.values:
            work.set(name, work.values[name] - before, name)
    if not late.any():
        return ()
    return (
        Found(
            f"{late.sum()} records of a later course have none of the courses before: counted "
            f"from nought, as if the tooth had not moved so until then",
            "Add the movements of the earlier courses, planned or not, where they were measured.",
            column="course",
        ),
    )
