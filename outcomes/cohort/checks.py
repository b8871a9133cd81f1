"""What can be wrong with whole records and whole tables, once their cells are read.

Each check takes a cleaned table and its sieve and lists what it finds there.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.cells import by_word
from outcomes.cohort.distinct import first_rows, places_of_each, spread
from outcomes.cohort.problems import COPY, Sieve
from outcomes.domain import teeth
from outcomes.domain.limit_in_force import limit, unit_of
from outcomes.domain.limits import EXPECTED_SIZE, TOLERANCE
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import MEASURES, MEASURES_OF_A_TOOTH, TABLES
from outcomes.words.units import unit_in_full

#: Fewer rows than this say nothing about a whole column (common practice, no source).
ENOUGH_ROWS = 8

#: Problems of single values that stay in the rates.
EXPECTED = tuple(dict.fromkeys((m.expected_size, m.unit) for m in MOVEMENTS.values()))
TOO_LARGE = {
    (most, unit): f"larger than {most:g} {unit_in_full(unit) or unit}" for most, unit in EXPECTED
}
OPPOSITE = "planned and achieved have opposite signs"

LOOK = "Compare with the source; correct it, or leave it if it is right."


def duplicates(frame: pd.DataFrame, sieve: Sieve) -> None:
    """Set aside a record that stands twice, and all records of one key that disagree."""
    if not copies(frame, sieve):
        return
    key = [name for name in TABLES[sieve.table].key if name in frame]
    shown = frame["patient"].to_numpy(object)
    differ = np.zeros(len(frame), dtype=bool)
    kept = np.flatnonzero(sieve.kept)
    differ[kept] = frame.iloc[kept].duplicated(key, keep=False).to_numpy()
    remedy = "Delete the wrong one: which is right cannot be told from the file."
    if sieve.table == "movements":
        remedy += " If they belong to different courses, number these in the column course."
    sieve.exclude(differ, "", shown, f"several records of one {' + '.join(key)}, not alike", remedy)


def copies(frame: pd.DataFrame, sieve: Sieve) -> bool:
    """Set aside a record that stands twice, all its cells alike; False if no key stands twice."""
    key = [name for name in TABLES[sieve.table].key if name in frame]
    if not _repeats(frame, key)[sieve.kept].any():
        return False
    kept = np.flatnonzero(sieve.kept)
    rows = frame.iloc[kept]
    content = [name for name in frame.columns if name != "row"]
    shown = frame["patient"]
    again = np.zeros(len(frame), dtype=bool)
    again[kept] = rows.duplicated(content, keep="first").to_numpy()
    if again.any():
        first = rows.groupby(content, dropna=False, sort=False)["row"].transform("min")
        each = np.full(len(frame), "", dtype=object)
        each[kept] = [f"the same record as {sieve.place(row)}" for row in first]
        remedy = "Delete the copy."
        sieve.exclude(again, "", shown, COPY, remedy, each=each)
    return True


def _repeats(frame: pd.DataFrame, key: list[str]) -> np.ndarray:
    """True for a row whose key another row has too, set aside or not; quick to say of no row."""
    together, places = np.zeros(len(frame), dtype=np.int64), 1
    for name in key:
        codes, found = cells.distinct(frame[name])
        size = len(found) + 1
        if places > _MOST_PLACES // size:
            together, left = pd.factorize(together)
            places = len(left)
        together *= size
        together += codes
        together += 1
        places *= size
    if places > 8 * len(frame):
        return pd.Series(together).duplicated(keep=False).to_numpy()
    twice = np.bincount(together, minlength=places) > 1
    return twice[together] if twice.any() else np.zeros(len(frame), dtype=bool)


_MOST_PLACES = 2**62


def stated_units(frame: pd.DataFrame, sieve: Sieve) -> pd.DataFrame:
    """Hold a movements table's own unit column against the unit of each movement.

    A column that agrees says nothing new and is dropped; one with other words is kept.
    """
    if "unit_given" not in frame:
        return frame
    words = cells.texts(frame["unit_given"])
    spoken = by_word(words, cells.unit_written)
    unit = cells.by_unique(frame["movement"], _unit)
    wrong = (spoken != "") & (unit != "") & (spoken != unit) & sieve.kept
    for name in pd.unique(unit[wrong]):
        sieve.exclude(
            wrong & (unit == name),
            "unit",
            words,
            f"the unit column gives another unit; this movement is in {unit_in_full(name)}",
            "Correct the number, its unit or the movement.",
        )
    return frame if ((words != "") & (spoken == "")).any() else frame.drop(columns="unit_given")


def _unit(movement: object) -> str:
    return unit_of(movement) or ""


def derived(frame: pd.DataFrame) -> dict[str, tuple[Any, np.ndarray]]:
    """Class, arch, side, direction, unit and site of cleaned movements.

    Of each column, by its name: the distinct values, and which of them each row holds, (n,).

    Parameters
    ----------
    frame
        Movements kept, with patient, tooth, movement and planned.
    """
    which, numbers = _places(frame["tooth"].to_numpy(np.int64))
    sign = np.sign(frame["planned"].to_numpy(float)).astype(int) + 1
    moved, names = cells.distinct(frame["movement"])
    directions = [word for name in names for word in _directions(name)]
    patient, patients = cells.distinct(frame["patient"])
    site, sites = _places(patient.astype(np.int64) * len(numbers) + which)
    at, of = np.divmod(sites, max(len(numbers), 1))
    written = spread([f"{name}:" for name in patients], at) + spread(numbers.astype(str), of)
    return {
        "tooth_class": (teeth.tooth_class(numbers), which),
        "arch": (teeth.arch(numbers), which),
        "side": (teeth.side(numbers), which),
        "direction": (directions, moved.astype(int) * 3 + sign),
        "unit": ([_unit(name) for name in names], moved),
        "tooth_site": (written, site),
    }


def _places(numbers: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which of the distinct numbers, none negative, each row holds, (n,); and these numbers."""
    if not len(numbers) or numbers.max() > 8 * len(numbers):
        return pd.factorize(numbers)
    there = np.bincount(numbers) > 0
    return (np.cumsum(there) - 1)[numbers], np.flatnonzero(there)


def _directions(name: object) -> tuple[str, str, str]:
    """Word for negative, no and positive plans of a movement."""
    movement = MOVEMENTS.get(str(name))
    if movement is None:
        return ("none", "none", "none")
    return (movement.negative_direction, "none", movement.positive_direction)


# Movements ---------------------------------------------------------------------------------------


def movements(frame: pd.DataFrame, sieve: Sieve) -> None:
    """List movements that are possible but odd: size, sign, the same numbers all over, units."""
    movement = frame["movement"]
    unit = cells.by_unique(movement, _unit)
    tolerance, largest = _limits("tolerance", movement), _limits("expected_size", movement)
    planned, achieved = frame["planned"].to_numpy(float), frame["achieved"].to_numpy(float)
    for name in ("planned", "achieved", "aim"):
        value = frame[name].to_numpy(float)
        if name == "aim":
            value = np.where(value == planned, np.nan, value)
        at = np.flatnonzero(sieve.kept & (np.abs(value) > largest))
        for (most, of), problem in TOO_LARGE.items():
            other = unit_in_full("degree" if of == "mm" else "mm")
            remedy = f"A slip, or a number in {other}? {LOOK}"
            big = np.zeros(len(value), dtype=bool)
            big[at] = (largest[at] == most) & (unit[at] == of)
            sieve.check(big, name, value, problem, remedy)
    opposite = sieve.kept & _opposed(planned, achieved) & (np.abs(achieved) > tolerance)
    sieve.check(
        opposite,
        "achieved",
        achieved,
        OPPOSITE,
        f"The sign convention, or a tooth that moved the wrong way? {LOOK}",
    )
    if "aim" in frame:
        aim = frame["aim"].to_numpy(float)
        sieve.check(
            sieve.kept & _opposed(planned, aim) & (np.abs(aim) > tolerance),
            "aim",
            aim,
            "planned and aim have opposite signs",
            f"Both are changes from the start of the course, along the same axis. {LOOK}",
        )
    _same_numbers(frame, sieve)
    _swapped_units(frame, sieve)
    if sieve.kept.any() and not np.any(planned[sieve.kept] != 0):
        sieve.note(
            "planned",
            "every planned movement is 0: no achievement rate can be estimated",
            "Add movements that were planned.",
        )


def _opposed(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """True where two numbers have opposite signs; (n,)."""
    return ((one > 0) & (other < 0)) | ((one < 0) & (other > 0))


def _limits(kind: str, movement: pd.Series) -> np.ndarray:
    """The limit in force for each row: shape (n,), NaN for a movement nobody knows."""
    return cells.by_unique(movement, lambda name: limit(kind, str(name), unit_of(name)), float)


def _same_numbers(frame: pd.DataFrame, sieve: Sieve) -> None:
    numbers = {name: frame[name].to_numpy(float) for name in ("planned", "achieved")}
    for name, at in places_of_each(frame["movement"], sieve.kept):
        if len(at) < ENOUGH_ROWS:
            continue
        first = int(frame["row"].iloc[at[0]])
        planned, achieved = (numbers[column][at] for column in numbers)
        moved = (planned != 0) | (achieved != 0)
        if moved.sum() >= ENOUGH_ROWS and (planned[moved] == achieved[moved]).all():
            sieve.note(
                "achieved",
                f"achieved equals planned in every row of {name} ({len(at)} rows)",
                "Was the planned column copied? Achieved is what the next scan shows.",
                value=achieved[0],
                row=first,
            )
        for column, values in (("planned", planned), ("achieved", achieved)):
            if (column == "achieved" or values[0] != 0) and (values == values[0]).all():
                sieve.note(
                    column,
                    f"the same number in every row of {name} ({len(at)} rows)",
                    "Was one cell copied down the column? " + LOOK,
                    value=values[0],
                    row=first,
                )


def _swapped_units(frame: pd.DataFrame, sieve: Sieve) -> None:
    """Millimetres where degrees belong, or the other way round: by movement, and by tooth."""
    size = frame["planned"].abs().to_numpy(float)
    planned = sieve.kept & (size > 0)
    for name, at in places_of_each(frame["movement"], planned):
        sizes = size[at]
        if len(sizes) < ENOUGH_ROWS:
            continue
        movement = MOVEMENTS[name]
        mm = movement.unit == "mm"
        # A median is slow; it is below what less than half of the sizes are above.
        half = mm and 2 * np.count_nonzero(sizes > movement.expected_size) >= len(sizes)
        if half and np.median(sizes) > movement.expected_size:
            problem = f"half of all {name} plans are above {movement.expected_size:g} mm"
        elif not mm and np.max(sizes) <= movement.tolerance:
            problem = f"no {name} plan is above {movement.tolerance:g} degrees"
        else:
            continue
        sieve.note(
            "planned",
            f"{problem}: millimetres and degrees swapped?",
            f"{name} is read in {unit_in_full(movement.unit)}. Compare with the source.",
            row=int(frame["row"].iloc[at[0]]),
        )
    large = planned & (size > EXPECTED_SIZE["mm"])
    if not large.any():
        return
    large &= cells.where(frame["movement"], lambda name: _unit(name) == "mm")
    small = planned & (size < TOLERANCE["mm"])
    small &= cells.where(frame["movement"], lambda name: _unit(name) == "degree")
    if large.any() and small.any():
        place = ["patient", "tooth", "course"]
        of_large = pd.MultiIndex.from_frame(frame.loc[large, place])
        of_small = pd.MultiIndex.from_frame(frame.loc[small, place])
        swapped = np.zeros(len(frame), dtype=bool)
        swapped[large] = of_large.isin(of_small)
        swapped[small] = of_small.isin(of_large)
        sieve.check(
            swapped,
            "planned",
            frame["planned"],
            "a large number of millimetres beside a very small number of degrees: swapped?",
            LOOK,
        )


# Other tables ------------------------------------------------------------------------------------


def courses(frame: pd.DataFrame, sieve: Sieve) -> None:
    """List courses that end before they start."""
    if "start" in frame and "end" in frame:
        sieve.check(
            sieve.kept & (frame["end"] < frame["start"]).to_numpy(),
            "end",
            frame["end"].to_numpy(object),
            "the course ends before it starts",
            "Correct one of the dates.",
        )


def measures(frame: pd.DataFrame, sieve: Sieve, *, teeth_read: bool) -> pd.DataFrame:
    """Check the unit and the tooth of measures, and fill in the units known by name.

    ``teeth_read`` is False where the notation of the teeth stays open.
    """
    name = frame["measure"].to_numpy(object)
    known = cells.by_unique(frame["measure"], lambda m: MEASURES.get(str(m), ""))
    given = cells.texts(frame["unit"]) if "unit" in frame else np.full(len(frame), "", object)
    spoken = by_word(given, lambda w: cells.unit_written(w) or w)
    for unit in pd.unique(known[known != ""]):
        sieve.exclude(
            (known == unit) & (spoken != "") & (spoken != unit),
            "unit",
            given,
            f"the unit column gives another unit; this measure is in {unit_in_full(unit) or unit}",
            "Correct the value, its unit or the measure.",
        )
    sieve.exclude(
        sieve.kept & (known == "") & (spoken == ""),
        "unit",
        name,
        "a measure not known by name needs a unit",
        f"Write its unit, or use one of: {', '.join(MEASURES)}.",
    )
    tooth = frame["tooth"].to_numpy(float) if "tooth" in frame else np.full(len(frame), np.nan)
    sieve.exclude(
        teeth_read & sieve.kept & np.isin(name, MEASURES_OF_A_TOOTH) & np.isnan(tooth),
        "tooth",
        name,
        "this measure needs a tooth",
        "Fill in the tooth.",
    )
    unit = np.where(known == "", spoken, known)
    return frame.assign(unit=pd.array([u or None for u in unit.tolist()], dtype="str"))


def together(tables: dict[str, pd.DataFrame], sieves: dict[str, Sieve]) -> None:
    """List what does not match between tables: patients, courses, spellings.

    Parameters
    ----------
    tables
        Cleaned tables, all rows.
    sieves
        Their sieves.
    """
    kept = {name: sieves[name].left(frame) for name, frame in tables.items()}
    for name, frame in kept.items():
        sieve = sieves[name]
        if name != "patients" and len(kept.get("patients", ())):
            remedy = "Add the patient to the patients table, or correct the code."
            missing = ~frame["patient"].isin(kept["patients"]["patient"]).to_numpy()
            _first_rows(frame[missing], ["patient"], "patient not in patients", remedy, sieve)
        if name in ("movements", "repeats") and len(kept.get("courses", ())):
            places = pd.MultiIndex.from_frame(frame[["patient", "course"]])
            in_courses = pd.MultiIndex.from_frame(kept["courses"][["patient", "course"]])
            missing = ~places.isin(in_courses)
            _courses_missing(frame[missing], sieve)
    if "patients" in kept and "movements" in kept:
        idle = ~kept["patients"]["patient"].isin(kept["movements"]["patient"].unique())
        remedy = "Nothing, if that is right; or correct the code."
        _first_rows(
            kept["patients"][idle.to_numpy()],
            ["patient"],
            "patient without movements that can be analysed",
            remedy,
            sieves["patients"],
        )
    _spellings(kept, sieves)


def _courses_missing(rows: pd.DataFrame, sieve: Sieve) -> None:
    """One line for all: a courses table that is being filled in must not hide other problems."""
    first = rows.drop_duplicates(["patient", "course"])
    if first.empty:
        return
    patient, course, row = first[["patient", "course", "row"]].iloc[0]
    more = f", the first of {len(first):,} such courses" if len(first) > 1 else ""
    sieve.note(
        "course",
        f"course not in courses{more}",
        "Add the course to the courses table, or correct its number.",
        value=f"{cells.clean_text(patient)} course {cells.clean_text(course)}",
        row=int(row),
    )


def _first_rows(rows: pd.DataFrame, by: list[str], problem: str, remedy: str, sieve: Sieve) -> None:
    first = rows.drop_duplicates(by)
    if first.empty:
        return
    where = np.isin(sieve.rows, first["row"].to_numpy())
    values = np.full(len(sieve.rows), "", dtype=object)
    words = [" course ".join(cells.clean_text(v) for v in t) for t in first[by].itertuples(False)]
    values[where] = words
    sieve.check(where, by[-1], values, problem, remedy)


def _spellings(kept: dict[str, pd.DataFrame], sieves: dict[str, Sieve]) -> None:
    """Patient codes that differ in capitals, spaces or leading zeros only."""
    spelt: dict[str, str] = {}
    for name, frame in kept.items():
        first = frame[["patient", "row"]].iloc[first_rows(frame["patient"])]
        codes = cells.plain_codes(first["patient"].tolist())
        for plain, patient, row in zip(codes, first["patient"], first["row"], strict=True):
            other = spelt.setdefault(plain, patient)
            if other != patient:
                sieves[name].note(
                    "patient",
                    f"differs from {other!r} in spelling only: counted as another patient",
                    "If they are one patient, write the code alike everywhere.",
                    value=patient,
                    row=int(row),
                )
