"""One invented cohort in many layouts, none of them any product's: what people keep records in.

Run ``python synthetic_data/layouts/make.py`` to write them again in place; a test does so in
another folder and compares. ``answers.json`` has what the owner of each file answers when asked.
"""

import importlib.util
import json
import sys
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.simulate import simulate_cohort

HERE = Path(__file__).resolve().parent
spec = importlib.util.spec_from_file_location("make_demo", HERE.parent / "make.py")
assert spec is not None
assert spec.loader is not None
demo = importlib.util.module_from_spec(spec)
spec.loader.exec_module(demo)

KEY = ["patient", "tooth", "movement", "course"]
TEETH = (11, 13, 16, 21, 23, 26, 31, 33, 36, 41, 43, 46)
MOVEMENTS = ("vertical", "torque", "rotation")
WAYS = {
    ("vertical", 1): "extrusion",
    ("vertical", -1): "intrusion",
    ("torque", 1): "labial",
    ("torque", -1): "lingual",
    ("rotation", 1): "mesial out",
    ("rotation", -1): "mesial in",
}
ABOUT = "The same invented cohort in another layout; see synthetic_data/layouts/README.md."

Rows = list[list[Any]]


def cohort() -> pd.DataFrame:
    """The records that every layout holds: six patients, two courses, three movements."""
    made = simulate_cohort(patients=6, seed=20261125, drop_out=0.0).movements
    rows = made[
        made["tooth"].isin(TEETH) & made["movement"].isin(MOVEMENTS) & (made["course"] <= 2)
    ]
    rows = rows[rows["planned"].ne(0) & rows["achieved"].notna()]
    return rows[[*KEY, "planned", "achieved"]].sort_values([*KEY], ignore_index=True)


def plain(value: Any) -> Any:
    """A cell as Python has it, floats without noise, what is missing as None."""
    if value is None or value != value:
        return None
    value = value.item() if hasattr(value, "item") else value
    return round(value, 6) if isinstance(value, float) else value


def lines(frame: pd.DataFrame, headings: list[str] | None = None) -> Rows:
    """Headings and rows of a frame."""
    return [
        list(headings or frame.columns),
        *([plain(v) for v in row] for row in frame.itertuples(index=False, name=None)),
    ]


def text(
    rows: Rows, path: Path, separator: str = ",", mark: str = ".", code: str = "utf-8"
) -> None:
    """Write rows as delimited text."""

    def cell(value: Any) -> str:
        if value is None:
            return ""
        return str(value).replace(".", mark) if isinstance(value, float) else str(value)

    made = "".join(separator.join(cell(v) for v in row) + "\n" for row in rows)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(made.encode(code))


def book(sheets: dict[str, Rows], path: Path) -> None:
    """Write a workbook with a sheet that says the records are invented."""
    demo.write_workbook({**sheets, "invented": [[demo.NOTICE], [ABOUT]]}, path)


def write_all(folder: Path) -> None:
    """Write every layout into ``folder``, with the answers of its owner."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = cohort()
    answers: dict[str, dict[str, str]] = {}
    for of in (_languages, _signs, _wide, _several):
        answers |= of(rows, folder)
    for said in answers.values():
        if said.get("sign") != "words":
            said["plus"] = "usual"
    written = json.dumps(dict(sorted(answers.items())), indent=1, ensure_ascii=False) + "\n"
    (folder / "answers.json").write_text(written, encoding="utf-8")
    (folder / "invented.md").write_text(f"# Invented cohort\n\n{demo.NOTICE}\n\n{ABOUT}\n", "utf-8")
    (folder / "truth").mkdir(exist_ok=True)
    text(lines(rows), folder / "truth" / "movements.csv")


def _languages(rows: pd.DataFrame, folder: Path) -> dict[str, dict[str, str]]:
    """A row for each movement, headed and spelt in several languages."""
    german = rows.replace(
        {"movement": {"vertical": "Vertikal", "torque": "Torque", "rotation": "Rotation"}}
    )
    headings = ["Patienten-Nr.", "Zahn", "Bewegung", "Serie", "Geplant", "Erreicht"]
    text(lines(german, headings), folder / "german.csv", ";", ",", "cp1252")
    french = rows.replace(
        {"movement": {"vertical": "vertical", "torque": "torque", "rotation": "rotation"}}
    )
    headings = ["Patient", "Dent", "Mouvement", "Série", "Planifié", "Obtenu"]
    notes: Rows = [["Relevé des mouvements"], ["fin de chaque série"], []]
    book({"Relevé": [*notes, *lines(french, headings)]}, folder / "french.xlsx")
    spanish = rows.replace(
        {"movement": {"vertical": "vertical", "torque": "torque", "rotation": "rotación"}}
    )
    headings = ["Paciente", "Diente", "Movimiento", "Serie", "Planificado", "Logrado"]
    text(lines(spanish, headings), folder / "spanish.tsv", "\t", ",", "utf-16")
    universal = {tooth: number for number, tooth in _universal().items()}
    american = rows.assign(tooth=rows["tooth"].map(universal))
    text(
        lines(american, ["Case", "Tooth (Universal)", "Movement", "Series", "Plan", "Actual"]),
        folder / "universal.csv",
    )
    return {name: {} for name in ("german.csv", "french.xlsx", "spanish.tsv", "universal.csv")}


def _universal() -> dict[int, int]:
    """Universal number -> FDI number of permanent teeth (ADA; ISO 3950)."""
    upper = [*range(18, 10, -1), *range(21, 29)]
    lower = [*range(38, 30, -1), *range(41, 49)]
    return dict(enumerate([*upper, *lower], 1))


def _signs(rows: pd.DataFrame, folder: Path) -> dict[str, dict[str, str]]:
    """Other meanings of the numbers: positions, sizes with a word, going on, what remained."""
    start = pd.Series([3.0 + i % 7 + 0.5 * (i % 3) for i in range(len(rows))])
    positions = rows[KEY].assign(
        before=start, plan=start + rows["planned"], after=start + rows["achieved"]
    )
    headings = [*KEY, "Start", "Planned", "Achieved"]
    text(lines(positions, headings), folder / "positions.csv")
    sign = rows["planned"].gt(0).map({True: 1, False: -1})
    ways = [WAYS[key] for key in zip(rows["movement"], sign, strict=True)]
    sizes = rows.assign(planned=rows["planned"].abs(), achieved=rows["achieved"] * sign)
    sized = sizes[KEY].assign(direction=ways, planned=sizes["planned"], achieved=sizes["achieved"])
    text(lines(sized), folder / "directions.csv")
    vertical = rows["movement"].eq("vertical")
    spoken = rows["movement"].mask(vertical, pd.Series(ways, index=rows.index))
    words = {
        ("torque", 1): "labial crown torque",
        ("torque", -1): "lingual crown torque",
        ("rotation", 1): "mesiobuccal rotation",
        ("rotation", -1): "mesiolingual rotation",
    }
    said = [
        name if is_vertical else words[of, way]
        for name, is_vertical, of, way in zip(spoken, vertical, rows["movement"], sign, strict=True)
    ]
    text(lines(sizes.assign(movement=said)), folder / "directed_words.csv")
    before = rows.assign(course=rows["course"] + 1)[[*KEY, "achieved"]]
    going = rows.merge(before, on=KEY, how="left", suffixes=("", "_before"))
    reached = going["achieved_before"].fillna(0)
    on = rows.assign(planned=rows["planned"] + reached, achieved=rows["achieved"] + reached)
    text(lines(on), folder / "going_on.csv")
    left = rows.assign(achieved=rows["planned"] - rows["achieved"])
    text(lines(left, [*KEY, "planned", "remaining"]), folder / "remaining.csv")
    return {
        "positions.csv": {"values": "positions"},
        "directions.csv": {"sign": "words"},
        "directed_words.csv": {
            "sign": "words",
            "movement:mesiobuccal rotation": "rotation positive",
            "movement:mesiolingual rotation": "rotation negative",
        },
        "going_on.csv": {"counted_from": "treatment"},
        "remaining.csv": {},
    }


def _wide(rows: pd.DataFrame, folder: Path) -> dict[str, dict[str, str]]:
    """A row for each tooth, or for each kind of number; columns for movements or teeth."""
    of_tooth = ["patient", "course", "tooth"]
    numbers = ["planned", "achieved"]
    wide = rows.pivot(index=of_tooth, columns="movement", values=numbers).reset_index()
    order = [(number, name) for name in MOVEMENTS for number in numbers]
    flat = pd.concat([wide[of_tooth].droplevel(1, axis=1), wide[order]], axis=1)
    headings = ["Patient", "Course", "Tooth"]
    named = [f"{name} {number} ({'mm' if name == 'vertical' else '°'})" for number, name in order]
    book({"Teeth": lines(flat, [*headings, *named])}, folder / "movement_columns.xlsx")
    upper = [None, None, None, *(x for name in MOVEMENTS for x in (name.capitalize(), None))]
    lower = [*headings, *("planned", "achieved") * len(MOVEMENTS)]
    book({"Teeth": [upper, lower, *lines(flat)[1:]]}, folder / "two_heading_rows.xlsx")
    long = rows.melt(KEY, numbers, var_name="what", value_name="value")
    text(
        lines(long[["patient", "course", "tooth", "movement", "what", "value"]]),
        folder / "kinds_in_rows.csv",
    )
    teeth = long.pivot(
        index=["patient", "course", "movement", "what"], columns="tooth", values="value"
    )
    teeth = teeth.reset_index()
    text(
        lines(teeth, ["Patient", "Course", "Movement", "Number", *map(str, teeth.columns[4:])]),
        folder / "tooth_columns.csv",
    )
    return {
        name: {}
        for name in (
            "movement_columns.xlsx",
            "two_heading_rows.xlsx",
            "kinds_in_rows.csv",
            "tooth_columns.csv",
        )
    }


def _several(rows: pd.DataFrame, folder: Path) -> dict[str, dict[str, str]]:
    """Records in several sheets, files or blocks."""
    patients = list(dict.fromkeys(rows["patient"]))
    plan, result = rows[[*KEY, "planned"]], rows[[*KEY, "achieved"]].iloc[::-1]
    book({"Plan": lines(plan), "Second scan": lines(result)}, folder / "two_sheets.xlsx")
    text(lines(plan), folder / "two_files" / "planned.csv")
    text(lines(result), folder / "two_files" / "achieved.csv")
    rest = [name for name in rows.columns if name != "patient"]
    each = {p: lines(rows.loc[rows["patient"] == p, rest]) for p in patients}
    book(each, folder / "patient_sheets.xlsx")
    no_course = [name for name in rows.columns if name != "course"]
    courses = {f"Course {c}": lines(rows.loc[rows["course"] == c, no_course]) for c in (1, 2)}
    book(courses, folder / "course_sheets.xlsx")
    arches = {}
    names = {"Upper": (1, 2), "Lower": (3, 4)}
    for name, quadrants in names.items():
        of_arch = rows[(rows["tooth"] // 10).isin(quadrants)]
        right = (of_arch["tooth"] // 10).isin((1, 4))
        side = right.map({True: "right", False: "left"})
        arches[name] = lines(of_arch.assign(tooth=of_arch["tooth"] % 10, side=side))
    book(arches, folder / "arch_sheets.xlsx")
    titled: Rows = []
    for patient in patients:
        titled += [[f"Patient {patient}"], *lines(rows.loc[rows["patient"] == patient, rest]), []]
    book({"Records": titled}, folder / "titled_blocks.xlsx")
    once = rows.sort_values(["patient", "course"], kind="stable")
    once = once.assign(patient=once["patient"].where(~once["patient"].duplicated(), None))
    book({"Records": lines(once)}, folder / "patient_once.xlsx")
    return {
        "two_sheets.xlsx": {},
        "two_files": {},
        "patient_sheets.xlsx": {"patient": "sheet"},
        "course_sheets.xlsx": {},
        "arch_sheets.xlsx": {},
        "titled_blocks.xlsx": {"patient": "title"},
        "patient_once.xlsx": {"fill:Records:patient": "yes"},
    }


if __name__ == "__main__":
    write_all(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
