"""Random messy tables, random bytes and damaged workbooks, read: see README.md.

``python -m tests.fuzz.reading --inputs 200000 --seed 1`` reads that many and counts what went wrong.
"""

from __future__ import annotations

import argparse
import datetime as dt
import gc
import io
import random
import signal
import sys
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort.build import build
from outcomes.cohort.cells import BLANK_WORDS, clean_text
from outcomes.cohort.problems import shown
from outcomes.cohort.read import from_frames
from outcomes.cohort.records import Cohort
from outcomes.cohort.sources import source_of
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import FDI_TEETH
from outcomes.errors import OutcomesError
from outcomes.words.safe import as_meant

FILES = Path(__file__).parents[1] / "cohort" / "files"
#: Seconds of processor time for one input; more is a hang.
LIMIT = 20


@dataclass(frozen=True)
class Put:
    """What was written into a table: rows that are not blank, patients and cells, if known.

    ``cells`` are heading and cell of each, by row as a spreadsheet shows it.
    """

    rows: int
    patients: Counter[str] | None = None
    cells: dict[int, list[tuple[str, object]]] = field(default_factory=dict)


Known = Put | None

Input = tuple[str, Callable[[], Cohort], Known]
"""Kind, how to read it, and what it holds."""

HEADS = {
    "patient": ["patient", "Patient ID", "PATIENT", " patient "],
    "tooth": ["tooth", "Tooth (FDI)", "tooth no.", "tooth [Universal]"],
    "movement": ["movement", "Movement type", "movement "],
    "planned": ["planned", "Planned (mm)", "prescribed", "plan"],
    "achieved": ["achieved", "Achieved", "actual", "achieved (°)"],
}
OTHERS = ["course", "aim", "attachment", "note", "site", "unit", "", "Date of birth", "planned_2"]
WORDS = [
    "", " ", "\u00a0", "\ufeff", "na", "n/a", "-", "--", "?", "x", "#N/A", "#DIV/0!", "#REF!", "Total",
    "Mean", "Mittelwert", "EXAMPLE", "P1", "p 1", "P001", "1", "0", "-0", "1e308", "-1e308", "1e309",
    "9" * 400, "1_000", "1,234", "1.234", "1.234,5", "1'234", "0,5", "−0.5", "+1", "5 mm", "5°",
    "5 deg", "5 inch", "12.5.2024", "2024-01-31", "3/4/2024", "1:30", "1-Mar", "inf", "nan", "True",
    "=1+1", "'=1+1", "@x", "\x00", "\x1b", "ß", "İ", "ﬁ", "١٢", "²", "½", "𝟙", "36", "11", "UR3",
    "LL6", "99", "rotation", "Rotation", "tip", "torque", "vertical", "intrusion", "mesial", "none",
    "a\nb", 'a"b', "a;b", "a,b", "a\tb", "a|b", "x" * 500, "null", "None", "1" + "0" * 30, "e5", "--5",
    "5-", "5..2", ".", ",", "5.", ".5", "5,", "1 2", "1 234", "0x10", "1e5", "1e", "%", "50 %",
]  # fmt: skip
VALUES = [
    None, np.nan, pd.NaT, pd.NA, True, False, 0, 1, -1, 36, 11, 5.5, -0.25, 1e308, -1e308, np.inf,
    -np.inf, 10**30, 2**63, dt.date(2024, 5, 1), dt.datetime(2024, 5, 1, 3), dt.time(1, 30),
    dt.timedelta(days=3), pd.Timestamp("2024-01-31"), pd.Timedelta("1h"), np.float32(1.5),
    np.int8(3), b"x", (1, 2), [1], {"a": 1}, {1}, complex(1, 2), object, np.datetime64("2024-01-01"),
]  # fmt: skip


def _cell(rng: random.Random, name: str, mess: float, values: bool) -> object:
    if rng.random() < mess:
        if values and rng.random() < 0.5:
            return rng.choice(VALUES)
        if rng.random() < 0.2:
            return "".join(chr(rng.randrange(1, 0x2FF)) for _ in range(rng.randrange(1, 6)))
        return rng.choice(WORDS)
    number = rng.choice([round(rng.gauss(0, 5), 2), rng.randrange(-9, 9), round(rng.random(), 3)])
    return {
        "patient": f"P{rng.randrange(1, 9)}",
        "tooth": rng.choice(FDI_TEETH),
        "movement": rng.choice(list(MOVEMENTS)),
        "course": rng.randrange(1, 4),
    }.get(name, number)


def _table(rng: random.Random, *, values: bool) -> tuple[list[str], list[list[object]]]:
    """Headings and rows: the five columns needed, mostly, and some more, in any order."""
    names = [n for n in HEADS if rng.random() < 0.97]
    others = rng.sample(OTHERS, rng.randrange(0, 4))
    columns = [(n, rng.choice(HEADS[n])) for n in names] + [(o, o) for o in others]
    rng.shuffle(columns)
    mess = rng.choice([0, 0.05, 0.3, 0.9])
    rows = [
        [_cell(rng, name, mess, values) for name, _ in columns] for _ in range(rng.randrange(0, 12))
    ]
    return [written for _, written in columns], rows


def _filled(rows: list[list[object]]) -> int:
    return sum(any(clean_text(v) != "" for v in row) for row in rows)


def _patients(head: list[str], rows: list[list[object]]) -> Counter[str] | None:
    """How often each patient is written, as reading should show them; None without such a column."""
    places = [i for i, written in enumerate(head) if written in HEADS["patient"]]
    if len(places) != 1:
        return None
    filled = [row for row in rows if any(clean_text(v) != "" for v in row)]
    texts = [clean_text(row[places[0]]).replace("\x00", "") for row in filled]
    return Counter(clean_text(as_meant(text)) for text in texts)


def _cells(
    head: list[str], rows: list[list[object]], first: int
) -> dict[int, list[tuple[str, object]]]:
    """Heading and cell of all that is written, by row; ``first`` is that of the first record."""
    return {first + i: list(zip(head, row, strict=True)) for i, row in enumerate(rows)}


def frames(rng: random.Random) -> Input:
    """A table given as a frame, with cells of any type."""
    head, rows = _table(rng, values=True)
    frame = pd.DataFrame(rows, columns=head, dtype=object)
    if rng.random() < 0.3:
        frame = frame.convert_dtypes() if rng.random() < 0.5 else frame.infer_objects()
    given = [list(row) for row in frame.astype(object).itertuples(index=False, name=None)]
    notation = rng.choice([None, "fdi", "universal", "quadrant"])
    return (
        "frame",
        lambda: from_frames(frame, notation=notation, strict=False),
        Put(_filled(rows), None, _cells(head, given, 2)) if len(head) else None,
    )


def _written(
    rng: random.Random, head: list[str], rows: list[list[object]]
) -> tuple[bytes, dict[int, list[tuple[str, object]]]]:
    """A text file, and the cells in it."""
    separator = rng.choice([",", ";", "\t", "|"])
    end = rng.choice(["\n", "\r\n"])

    def shown(cell: object) -> str:
        text = cell if isinstance(cell, str) else clean_text(cell)
        return text.replace("\x00", "").replace("\r", " ")

    def line(cells: list[str]) -> str:
        return separator.join('"' + t.replace('"', '""') + '"' for t in cells)

    title = ["a title"] * rng.randrange(0, 2)
    texts = [[shown(cell) for cell in row] for row in rows]
    lines = [*title, line(head), *(line(r) for r in texts)]
    codes = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le"]
    data = (end.join(lines) + end * rng.randrange(0, 3)).encode(rng.choice(codes), "replace")
    meant: list[list[object]] = [[as_meant(text) for text in row] for row in texts]
    return data, _cells(head, meant, len(title) + 2)


def delimited(rng: random.Random) -> Input:
    """A table written as text, in any encoding and with any separator."""
    head, rows = _table(rng, values=False)
    data, cells = _written(rng, head, rows)
    known = Put(_filled(rows), _patients(head, rows), cells) if len(head) >= 4 else None
    return "text", lambda: _read("x.csv", data), known


def _damaged(rng: random.Random, data: bytes) -> bytes:
    content = bytearray(data)
    for _ in range(rng.choice([1, 2, 5, 20])):
        if not content:
            break
        at = rng.randrange(len(content))
        kind = rng.randrange(4)
        if kind == 0:
            content[at] = rng.randrange(256)
        elif kind == 1:
            del content[at : at + rng.randrange(1, 30)]
        elif kind == 2:
            content[at:at] = content[at : at + rng.randrange(1, 30)]
        else:
            content[at:at] = rng.choice(
                [b'"', b",", b";", b"\n", b"\0", b"<", b"&", b"\xff", b"99"]
            )
    return bytes(content)


def damaged_text(rng: random.Random) -> Input:
    """A text file some bytes of which are changed, or nothing but random bytes."""
    if rng.random() < 0.2:
        data = rng.randbytes(rng.randrange(0, 300))
    else:
        data = _damaged(rng, _written(rng, *_table(rng, values=False))[0])
    strict = rng.random() < 0.8
    return "damaged text", lambda: _read("x.csv", data, strict=strict), None


_PARTS: dict[str, dict[str, bytes]] = {}


def damaged_workbook(rng: random.Random) -> Input:
    """A workbook with changed bytes: of the file, or of a part inside a whole archive."""
    form = rng.choice(["xlsx", "xls", "xlsb", "ods"])
    data = (FILES / f"messy.{form}").read_bytes()
    if form == "xls" or rng.random() < 0.3:
        damaged = _damaged(rng, data)
        return f"damaged .{form}", lambda: _read(f"x.{form}", damaged, strict=True), None
    if form not in _PARTS:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _PARTS[form] = {name: archive.read(name) for name in archive.namelist()}
    parts = dict(_PARTS[form])
    likely = [
        n for n in parts if "sheet" in n or "workbook" in n or "content" in n or "String" in n
    ]
    for name in rng.sample(likely, 1):
        parts[name] = _damaged(rng, parts[name])
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    changed = buffer.getvalue()
    return f"damaged .{form}", lambda: _read(f"x.{form}", changed), None


def _read(name: str, data: bytes, *, strict: bool = False) -> Cohort:
    return build(source_of(name, data), None, strict=strict, invented=True)


def checked(cohort: Cohort, known: Known) -> None:
    """Hold a cohort against what must be true of any; AssertionError says what is not."""
    known = known or Put(-1)
    records, patients = known.rows, known.patients
    if patients is not None:
        out = cohort.excluded[cohort.excluded["table"] == "movements"].get("patient", [])
        found = Counter(clean_text(p) for p in [*cohort.movements["patient"], *out])
        assert found == patients, f"patients put in and found differ: {patients - found}"
    ledger = list(cohort.ledger[["table", "step", "rows"]].itertuples(index=False, name=None))
    lost_of, lost_rows = cohort.excluded["table"].tolist(), cohort.excluded["row"].tolist()
    for table in TABLES:
        steps = Counter[str]()
        for of, step, rows in ledger:
            steps[step] += rows if of == table else 0
        kept = getattr(cohort, table)["row"].tolist()
        lost = [row for of, row in zip(lost_of, lost_rows, strict=True) if of == table]
        assert steps["read"] == steps["excluded"] + steps["analysed"], "the ledger does not add up"
        assert len(kept) == steps["analysed"], "rows analysed are not those of the ledger"
        assert len(lost) == steps["excluded"], "rows excluded are not those of the ledger"
        assert len({*lost, *kept}) == len(lost) + len(kept), "a row stands in two places"
        if table == "movements" and records >= 0:
            assert steps["read"] == records, f"{records} rows put in, {steps['read']} counted"
    assert "" not in set(cohort.excluded["reason"]), "a row was set aside without a reason"
    moved = cohort.movements
    for name in ("planned", "achieved"):
        assert np.isfinite(moved[name].to_numpy(float)).all(), "no number was kept"
    assert set(moved["tooth"].tolist()) <= set(FDI_TEETH), "a tooth that is none was kept"
    assert set(moved["movement"].tolist()) <= set(MOVEMENTS), "a movement that is none was kept"
    assert "" not in set(cohort.problems["remedy"]), "a problem without a remedy"
    lost_cells = unseen(cohort, known.cells)
    assert not lost_cells, f"cells that nothing shows: {lost_cells[:3]}"


def unseen(
    cohort: Cohort, cells: dict[int, list[tuple[str, object]]]
) -> list[tuple[int, str, object]]:
    """Row, heading and cell of what was written in movements and is nowhere to be seen.

    A cell is seen if its row, kept or set aside, holds it; if a column of the schema was read from
    it (a number must be that number); if a problem shows it; or if one tells of its column.
    """
    of_row = {}
    for frame in (cohort.excluded, cohort.unmeasured, cohort.movements):
        if "table" in frame:
            frame = frame[frame["table"] == "movements"]
        of_row.update(dict(zip(frame["row"].tolist(), frame.to_dict("records"), strict=True)))
    problems = cohort.problems.to_dict("records")
    listed = {(p["row"], p["value"]) for p in problems}
    of_column = {(p["column"], p["value"]) for p in problems}
    # What is said of a column as a whole names it, or quotes its heading.
    whole = {p["column"] for p in problems if pd.isna(p["row"])}
    said = " ".join(p["problem"] for p in problems if pd.isna(p["row"]))
    found = []
    for row, written in cells.items():
        if all(clean_text(cell) == "" for _, cell in written):
            continue
        holds = of_row[row]
        texts = {clean_text(value) for value in holds.values()}
        for place, (head, cell) in enumerate(written, 1):
            text = clean_text(cell)
            seen = text in texts or shown(cell) in ("", *(v for at, v in listed if at == row))
            name = next((n for n, heads in HEADS.items() if head in heads), head)
            seen = seen or (name, shown(cell)) in of_column or name in whole or repr(head) in said
            # Spelt in another way where a column holds nothing else.
            seen = seen or (isinstance(cell, dt.timedelta) and str(pd.Timedelta(cell)) in texts)
            seen = seen or (not head and f"column {place} have no heading" in said)
            if not seen and ("reason" in holds or not _read_as(name, text, holds.get(name))):
                found.append((row, head, cell))
    return found


def _read_as(name: str, text: str, value: object) -> bool:
    """Whether a value is what a column holds of a cell."""
    if clean_text(value) == "" or text.casefold() in BLANK_WORDS:
        return text.casefold() in BLANK_WORDS
    if name == "tooth":  # in another notation another number
        return True
    try:
        return bool(np.isclose(float(text), float(str(value)), rtol=1e-12))
    except ValueError:
        return name in READ or isinstance(value, dt.date | float)


#: Columns of the schema whose cells become a number or a word of the schema.
READ = {c.name for c in TABLES["movements"].columns if c.kind != "identifier"}


MAKERS = [(frames, 10), (delimited, 15), (damaged_text, 40), (damaged_workbook, 35)]


def one(seed: int) -> tuple[str, str]:
    """Make and read input number ``seed``: its kind, and what went wrong, ``""`` if nothing."""
    rng = random.Random(seed)
    makers, weights = zip(*MAKERS, strict=True)
    kind, read, known = rng.choices(makers, weights)[0](rng)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            cohort = read()
        checked(cohort, known)
    except OutcomesError:
        return kind, ""
    except Exception:  # noqa: BLE001 - whatever it is, it is what is looked for
        return kind, traceback.format_exc(limit=-4)
    return kind, ""


def _too_long(*_: object) -> None:
    raise TimeoutError(f"more than {LIMIT} processor seconds")


def run(one: Callable[[int], tuple[str, str]], about: str, inputs: int) -> None:
    """Make inputs and print how many there were, and each kind of failure once."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--inputs", type=int, default=inputs)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trace", help="a file that holds the number of the input being read")
    asked = parser.parse_args()
    gc.set_threshold(50_000)
    signal.signal(signal.SIGVTALRM, _too_long)
    kinds: Counter[str] = Counter()
    failures: Counter[str] = Counter()
    slowest = 0.0
    for seed in range(asked.seed, asked.seed + asked.inputs):
        signal.setitimer(signal.ITIMER_VIRTUAL, LIMIT)
        if asked.trace:
            Path(asked.trace).write_text(str(seed))
        start = time.perf_counter()
        kind, wrong = one(seed)
        slowest = max(slowest, time.perf_counter() - start)
        kinds[kind] += 1
        if wrong:
            place = "\n".join(wrong.strip().splitlines()[-3:])
            failures[place] += 1
            if failures[place] == 1:
                print(f"\ninput {seed} ({kind}):\n{wrong}", flush=True)
        if sum(kinds.values()) % 5000 == 0:
            print(f"{sum(kinds.values()):,} read, {sum(failures.values())} failed", flush=True)
    print(f"{sum(kinds.values()):,} inputs: {dict(kinds)}")
    print(f"{sum(failures.values()):,} failures of {len(failures)} kinds; slowest {slowest:.2f} s")
    sys.exit(1 if failures else 0)


if __name__ == "__main__":
    run(one, __doc__ or "", 200_000)
