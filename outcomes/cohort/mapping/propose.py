"""A mapping proposed for a file, and the questions that only its owner can answer.

What a heading or a word of the trade settles is taken; what has two readings is asked. Answers
given are used, and may open the next questions.
"""

from __future__ import annotations

from collections.abc import Mapping as Dict
from dataclasses import dataclass, replace

from outcomes.cohort.mapping.choices import DOUBT, answered_by, settled
from outcomes.cohort.mapping.gaps import fill_down, headings_missing
from outcomes.cohort.mapping.layout import Column, Layout, is_share, layout_of
from outcomes.cohort.mapping.pages import Pages
from outcomes.cohort.mapping.parts import EVERY_SHEET, said_by
from outcomes.cohort.mapping.questions import Asked, Question, key_of
from outcomes.cohort.mapping.repeated import sides
from outcomes.cohort.mapping.spec import BESIDES, FROM_SHEET, FROM_TITLE, Mapping, Part, Wide
from outcomes.cohort.sources import COMPANIONS, table_called
from outcomes.domain import teeth
from outcomes.domain.languages import arch_meaning, course_meaning, near_headings
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES
from outcomes.words.english import listed

NEEDED = ("patient", "tooth", "movement", "planned", "achieved")

#: A likeness of spelling below this is no proposal.
LIKELY = 70.0


@dataclass(frozen=True)
class Draft:
    """What is known of a file so far.

    Attributes
    ----------
    layouts
        Sheets that hold movements, and the others.
    mapping
        None while something needed is not known.
    questions
        Still open; none where the sheet cannot be read, whatever is answered.
    lacking
        What the file does not hold at all, and would have to.
    meanings
        (sheet, heading) -> meaning, how it is known.
    """

    layouts: tuple[Layout, ...]
    left: tuple[str, ...]
    mapping: Mapping | None
    questions: tuple[Question, ...]
    meanings: Dict[tuple[str, str], tuple[str, str]]
    unused: tuple[str, ...] = ()
    lacking: tuple[str, ...] = ()


def draft(
    pages: Pages, answers: Dict[str, str], *, file: str = "", before: Draft | None = None
) -> Draft:
    """Propose a mapping.

    Parameters
    ----------
    pages
        The sheets of the file.
    answers
        Key of a question -> one of its options.
    file
        Name of the file.
    before
        The draft with fewer answers, whose layouts hold.
    """
    asked = Asked(answers)
    layouts, left = _sheets(pages) if before is None else (before.layouts, before.left)
    parts: list[Part] = []
    meanings: dict[tuple[str, str], tuple[str, str]] = {}
    groups = _alike(layouts)
    hopeless = False
    for group in groups:
        hopeless |= headings_missing(group[0], asked)
        for side, course in sides(group[0], key_of("again", group[0].label, ""), asked):
            alike = [replace(layout, columns=side.columns) for layout in group]
            parts.append(_part(alike, groups, asked, meanings, course))
    mapping = None
    if parts and not asked.lacking:
        mapping = settled(tuple(parts), pages, asked)
    if mapping is not None:
        known = answered_by([*asked.used, *(k for k in answers if k.startswith(DOUBT))])
        mapping = replace(mapping, file=file, answered=known)
    unused = tuple(sorted(k for k in set(answers) - asked.used if not k.startswith(DOUBT)))
    if asked.lacking:
        mapping = None
    return Draft(
        layouts,
        left,
        mapping,
        () if hopeless else tuple(asked.questions),
        meanings,
        unused,
        tuple(asked.lacking),
    )


def _sheets(pages: Pages) -> tuple[tuple[Layout, ...], tuple[str, ...]]:
    """Sheets that hold movements, and those that do not."""
    found, left = [], []
    for label, cells in pages.items():
        name = label.rpartition(".")[0] or label
        table = table_called(name)
        if name.strip().casefold() in COMPANIONS or not cells.size:
            continue
        if table and table != "movements":
            continue
        layout = layout_of(label, cells)
        if layout.holds_movements:
            found.append(layout)
        else:
            left.append(label)
    if not found and len(left) == 1:
        found = [layout_of(left[0], pages[left.pop()])]
    return tuple(found), tuple(left)


def _alike(layouts: tuple[Layout, ...]) -> list[list[Layout]]:
    """Sheets with the same headings in the same row, which are read alike."""
    groups: dict[tuple, list[Layout]] = {}
    for layout in layouts:
        said = (layout.headings, tuple(c.heading for c in layout.columns), layout.number)
        groups.setdefault(said, []).append(layout)
    return list(groups.values())


# Columns of one part ------------------------------------------------------------------------------


def _part(
    group: list[Layout],
    groups: list[list[Layout]],
    asked: Asked,
    meanings: dict[tuple[str, str], tuple[str, str]],
    course: int = 0,
) -> Part:
    """One part of the mapping; ``course`` where the place of the table in the sheet tells it."""
    layout = group[0]
    columns = _columns(layout, asked)
    elsewhere = {m for g in groups if g is not group for c in g[0].columns for m in c.meanings}
    elsewhere |= {g[0].number for g in groups if g is not group}
    given = set(columns.values())
    wide = _wide(layout, asked, columns)
    if layout.number and "number" in given and "kind" not in given:
        columns = {h: layout.number if m == "number" else m for h, m in columns.items()}
    every = _every_row(group, groups, columns, wide, asked)
    if course:
        every["course"] = course
    _missing(layout, columns, wide, every, elsewhere, asked)
    for column in layout.columns:
        name = (layout.label, column.heading)
        if column.heading in wide:
            what = wide[column.heading]
            of = what.way or what.movement or (f"tooth {what.tooth}" if what.tooth else "")
            course_of = f"course {what.course}" if what.course else ""
            said = listed([word for word in (of, course_of) if word])
            meanings[name] = (f"{what.number} of {said}", column.why)
        else:
            meaning = columns.get(column.heading, "own")
            meanings[name] = (meaning, column.why if column.meanings else "told or not known")
    label = layout.label if len(group) == 1 else EVERY_SHEET
    fill = fill_down(layout, columns, asked)
    return Part(
        label,
        layout.headings,
        {c.heading: columns.get(c.heading, "own") for c in layout.columns if c.heading not in wide},
        wide,
        every,
        fill,
    )


def _columns(layout: Layout, asked: Asked) -> dict[str, str]:
    """Heading -> meaning of the columns that are no wide ones, where it is known or answered."""
    columns: dict[str, str] = {}
    for column in layout.columns:
        if column.wide:
            continue
        if len(column.meanings) == 1:
            columns[column.heading] = column.meanings[0]
        elif len(column.meanings) > 1 and layout.number not in column.meanings:
            options = {m: _described(m) for m in (*column.meanings, "own", "drop")}
            answer = asked.ask(
                Question(
                    key_of("column", layout.label, column.heading),
                    f"What is the column {column.heading!r}?",
                    options,
                    column.meanings[0],
                    "its heading has several meanings",
                )
            )
            columns[column.heading] = answer or "own"
    if layout.number:
        # "Value" in a sheet called "Planned" is planned.
        for column in layout.columns:
            if column.heading not in columns and layout.number in column.meanings:
                columns[column.heading] = layout.number
    for meaning in dict.fromkeys(columns.values()):
        same = [h for h, m in columns.items() if m == meaning]
        if meaning in ("own", "drop") or len(same) == 1:
            continue
        answer = asked.ask(
            Question(
                key_of("which", layout.label, meaning),
                f"Which column is {meaning}? The others are kept as columns of your own.",
                {h: f"the column {h!r}" for h in same},
                same[0],
                "several columns could be it",
            )
        )
        for heading in same:
            if heading != (answer or same[0]):
                columns[heading] = "own"
    return columns


def _described(meaning: str) -> str:
    if meaning in BESIDES:
        return BESIDES[meaning]
    return TABLES["movements"].column(meaning).description


def _wide(layout: Layout, asked: Asked, columns: dict[str, str]) -> dict[str, Wide]:
    """Columns headed by a movement or a tooth, with the number that stands below each."""
    wide = {}
    kind = "kind" in columns.values()
    for column in layout.columns:
        if not column.wide:
            continue
        number = column.number or layout.number or ("kind" if kind else "")
        if not number:
            options = {n: _described(n) for n in ("planned", "achieved")}
            number = (
                asked.ask(
                    Question(
                        key_of("numbers", layout.label, ""),
                        f"Which numbers stand below {column.heading!r} and its like?",
                        options,
                        why="the headings name movements or teeth, but not planned or achieved",
                    )
                )
                or ""
            )
        if number:
            way = ""
            if column.sign:
                way = MOVEMENTS[column.movement].direction(column.sign)
            wide[column.heading] = Wide(number, column.movement, column.tooth, column.course, way)
    if any(w.course for w in wide.values()) and "course" in columns.values():
        asked.lacking.append(
            "The course stands in a column of its own and in headings: leave one of them away."
        )
    same: dict[Wide, list[str]] = {}
    for heading, what in wide.items():
        same.setdefault(what, []).append(heading)
    for what, headings in same.items():
        if len(headings) == 1:
            continue
        answer = asked.ask(
            Question(
                key_of("which", layout.label, headings[0]),
                f"Which of these columns is {what.number}? The others are kept as columns of "
                f"your own.",
                {h: f"the column {h!r}" for h in headings},
                why="several columns have the same heading",
            )
        )
        for heading in headings:
            if heading != (answer or headings[0]):
                del wide[heading]
    return wide


def _every_row(
    group: list[Layout],
    groups: list[list[Layout]],
    columns: dict[str, str],
    wide: dict[str, Wide],
    asked: Asked,
) -> dict[str, str | int]:
    """What the name of a sheet or the title of a block says for all its rows."""
    layout = group[0]
    every: dict[str, str | int] = {}
    given = set(columns.values())
    labels = [one.label for one in group]
    if "course" not in given and all(course_meaning(label) for label in labels):
        every["course"] = FROM_SHEET
    titles = sorted({t for one in group for t in one.rows.titles} - {""}) if layout.titled else []
    for name, meant in (("course", int), ("arch", str)):
        told = [type(said_by(name, title)) is meant and said_by(name, title) for title in titles]
        if name == "arch":
            told = [one in ("upper", "lower") for one in told]
        if name not in given and name not in every and any(told):
            every[name] = FROM_TITLE
    teeth_given = [c for c, m in columns.items() if m == "tooth"]
    if "arch" not in given and teeth_given and all(arch_meaning(label) for label in labels):
        tokens = {teeth.tooth_token(v) for one in group for v in one.rows.column(teeth_given[0])}
        if tokens - {""} <= {str(n) for n in range(1, 9)}:
            every["arch"] = FROM_SHEET
    if "patient" in given:
        return every
    options = {}
    if layout.titled:
        options["title"] = f"the title above each block: {_titles(layout)}"
    if "course" not in every and "arch" not in every and not layout.number and all(labels):
        options["sheet"] = f"the name of the sheet: each of {listed([repr(n) for n in labels])}"
    options |= {c.heading: f"the column {c.heading!r}" for c in layout.columns if not c.wide}
    close = _closest("patient", [c for c in layout.columns if c.heading not in columns])
    proposed = "title" if layout.titled else "sheet" if len(group) > 1 else close
    answer = asked.ask(
        Question(
            key_of("patient", layout.label, "") if len(groups) > 1 else "patient",
            "Where is the patient told?",
            options,
            proposed,
            "no column is headed as the patient",
        )
    )
    if answer == "title":
        every["patient"] = FROM_TITLE
    elif answer == "sheet":
        every["patient"] = FROM_SHEET
    elif answer:
        columns[answer] = "patient"
    return every


def _titles(layout: Layout) -> str:
    named = [t for t in dict.fromkeys(layout.rows.titles.tolist()) if t]
    return listed([repr(title) for title in named]) if named else "none"


def _closest(meaning: str, columns: list[Column]) -> str:
    """The heading spelt most like a word for ``meaning``, "" where none is near."""
    likeness = {
        c.heading: max((s for m, s in near_headings(c.heading) if m == meaning), default=0.0)
        for c in columns
    }
    best = max(likeness, key=lambda h: likeness[h], default="")
    return best if best and likeness[best] >= LIKELY else ""


def _missing(
    layout: Layout,
    columns: dict[str, str],
    wide: dict[str, Wide],
    every: dict[str, str | int],
    elsewhere: set[str],
    asked: Asked,
) -> None:
    """Ask which column is what every record needs and no heading gives."""
    given = {*columns.values(), *every, *(w.number for w in wide.values())}
    given |= {n for n in ("movement", "tooth") if any(getattr(w, n) for w in wide.values())}
    for column in layout.columns:
        if (
            len(column.meanings) > 1
            and key_of("column", layout.label, column.heading) not in asked.answers
        ):
            given |= set(column.meanings)  # asked already
    ways = {
        "achieved": {"achieved", "remaining", "percent", "kind"},
        "planned": {"planned", "kind"},
    }
    for name in NEEDED[1:]:
        if ways.get(name, {name}) & given:
            continue
        if (
            name in ("planned", "achieved")
            and name in elsewhere
            and {"planned", "achieved"} & given
        ):
            continue
        free = [c for c in layout.columns if not c.wide and columns.get(c.heading, "own") == "own"]
        options = {c.heading: f"the column {c.heading!r}" for c in free}
        if name == "movement":
            options |= {m: f"all rows are {m}" for m in MOVEMENTS}
        answer = asked.ask(
            Question(
                key_of("which", layout.label, name),
                f"Which column is {name} ({_described(name)})?",
                options,
                _closest(name, free),
                f"no column is headed as {name}",
            )
        )
        if answer in MOVEMENTS and name == "movement":
            every["movement"] = answer
        elif answer:
            chosen = next(c for c in free if c.heading == answer)
            columns[answer] = "percent" if name == "achieved" and is_share(chosen) else name
