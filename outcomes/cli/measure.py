"""The command that measures: from scans, or from landmarks."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from outcomes.cli.app import DONE, STOPPED, OverwriteOption, app
from outcomes.cli.spoken import console_of, print_problems, print_table, stop, wrong_use
from outcomes.errors import CannotAnswer, CohortError, InputError, OutputRefused

if TYPE_CHECKING:
    from outcomes.measure.measured import Measured

_LAST = "Nothing can be measured until what says 'stop' is put right. Nothing was written."


@app.command()
def measure(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[SCANS]",
            exists=True,
            dir_okay=False,
            help="A table of scans (.csv, or a workbook's sheet `scans`), or a table of landmarks. "
            "Without it invented demonstration scans are used.",
        ),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="Folder to write to.")] = Path("measured"),
    overwrite: OverwriteOption = False,
    reference: Annotated[
        str | None,
        typer.Option(
            help="Of landmarks: teeth taken as stable, as '16 17 26 27', or all. For scans it "
            "stands in the table."
        ),
    ] = None,
    unit: Annotated[
        str | None, typer.Option(help="Of landmarks: mm, cm, m or inch. For scans as above.")
    ] = None,
) -> None:
    """Measure planned and achieved movements from scans or landmarks; write them as records."""
    from outcomes.measure.given import kind_of
    from outcomes.reports.build.place import check_free, written_whole

    demo = file is None
    path = _demo_scans() if file is None else file
    kind = kind_of(path)
    if kind == "scans" and (reference is not None or unit is not None):
        wrong_use("--reference and --unit are for landmarks: for scans they stand in the table.")
    try:
        check_free(out, overwrite=overwrite)
        found = _landmarks(path, reference, unit) if kind == "landmarks" else _scans(path)
    except OutputRefused as error:
        wrong_use(str(error))
    except CohortError as error:
        stop(error, _LAST)
    except (InputError, CannotAnswer) as error:
        wrong_use(str(error))
    with written_whole(out, overwrite=overwrite) as folder:
        found.write_files(folder)
        _draw(found, folder)
    _say(found, out, demo)
    raise typer.Exit(DONE if len(found.movements) else STOPPED)


def _draw(found: "Measured", folder: Path) -> None:
    """The report and its figures, beside the tables."""
    from outcomes.progress import shown
    from outcomes.reports.scans.page import write_report

    with shown() as step:
        write_report(found, folder, step)


def _demo_scans() -> Path:
    from outcomes.paths import data_path

    try:
        path = data_path("synthetic_data", "scans", "scans.csv")
    except FileNotFoundError:
        wrong_use("This installation has no demonstration scans: give a table of scans.")
    typer.echo("No scans given: these are invented demonstration scans.")
    return path


def _landmarks(path: Path, reference: str | None, unit: str | None) -> "Measured":
    from outcomes.measure.landmarks import measure_landmarks

    stable: list[int] | Literal["all"] | None = None
    if reference is not None:
        stable = "all" if reference.strip().casefold() == "all" else _teeth(reference)
    return measure_landmarks(path, reference=stable, unit=unit or "mm")


def _teeth(reference: str) -> list[int]:
    words = reference.replace(",", " ").split()
    if not words or not all(word.isascii() and word.isdigit() for word in words):
        wrong_use(f"--reference {reference}: write FDI numbers, as '16 17 26 27', or all.")
    return [int(word) for word in words]


def _scans(path: Path) -> "Measured":
    from outcomes import measure_scans
    from outcomes.progress import shown

    with shown() as step:
        return measure_scans(path, progress=step)


def _say(found: "Measured", out: Path, demo: bool) -> None:
    from outcomes.words.english import capital

    console = console_of()
    print_problems(console, found.problems)
    doubtful = found.quality[found.quality["reason"].fillna("") != ""]
    if len(doubtful):
        shown = ["patient", "course", "tooth", "stage", "verdict", "confidence", "reason"]
        print_table(console, "Refused, or less than sure", doubtful[shown])
    for sentence in found.notes:
        console.print(sentence, highlight=False, markup=False)
    console.print(f"{capital(found.counts())}.", highlight=False, markup=False)
    typer.echo(f"The movements and their quality are in {out}: open {out / 'report.html'}")
    if demo:
        typer.echo("All of it is invented.")
    if not len(found.movements):
        typer.echo("No tooth was measured: the reasons stand in quality.csv and problems.csv.")
        return
    records = out if len(found.repeats) else out / "movements.csv"
    typer.echo(f"Audit them:                outcomes audit {records}")
    typer.echo(f"Add them to your records:  outcomes add RECORDS {out / 'movements.csv'} --out NEW")
