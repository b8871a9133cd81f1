"""The command line: it parses, calls and prints; everything else is in the package."""

from pathlib import Path
from typing import Annotated, Any

import typer

from outcomes.cli_records import add_commands
from outcomes.errors import CohortError, OutputRefused, ReportFailed
from outcomes.terminal import (
    DONE,
    FAILED,
    INTERRUPTED,
    STOPPED,
    CohortArgument,
    Notation,
    NotationOption,
)
from outcomes.terminal import console as _console
from outcomes.terminal import print_problems as _print_problems
from outcomes.terminal import print_table as _print_table
from outcomes.terminal import stop as _stop
from outcomes.terminal import wrong_use as _wrong_use

app = typer.Typer(
    name="outcomes",
    help="Planned and achieved tooth movement: check a cohort, audit a practice, plan the next case.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    epilog="Exit status: 0 done; 1 the input has problems that stop the analysis (all listed); "
    "2 wrong use; 3 a report failed on the way.",
)


OutOption = Annotated[Path, typer.Option("--out", help="Folder to write the report to.")]
OverwriteOption = Annotated[
    bool, typer.Option("--overwrite", help="Replace an earlier report in that folder.")
]
SeedOption = Annotated[int, typer.Option(help="Seed of everything drawn at random.")]


def main() -> None:
    """Entry point of the ``outcomes`` command."""
    app()


def _show_version(wanted: bool) -> None:
    if wanted:
        from outcomes import __version__

        typer.echo(f"outcomes {__version__}")
        raise typer.Exit(DONE)


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    pass


@app.command()
def template(
    file: Annotated[Path, typer.Argument(help="Workbook to write, such as practice.xlsx.")],
) -> None:
    """Write an empty workbook to fill in, with a codebook and an example row."""
    from outcomes.cohort.template import write_template

    if file.suffix.lower() != ".xlsx":
        _wrong_use(
            f"{file.name}: the empty workbook is an Excel file; give a name ending in .xlsx."
        )
    if file.exists():
        _wrong_use(f"{file} exists already and is left alone: give another name.")
    if not file.absolute().parent.is_dir():
        _wrong_use(f"There is no folder {file.absolute().parent}: make it first.")
    write_template(file)
    typer.echo(f"Wrote {file}. Fill it in, then: outcomes check {file}")


@app.command()
def check(cohort: CohortArgument = None, notation: NotationOption = None) -> None:
    """Read a cohort; list every problem with its remedy, and account for every row."""
    from outcomes.cohort.read import read_cohort
    from outcomes.reports.audit import words
    from outcomes.reports.build.run import demo_path

    _say_demo(cohort)
    console = _console()
    try:
        found = read_cohort(cohort or demo_path(), notation=notation, strict=False)
    except CohortError as error:
        _stop(error)
    _print_problems(console, found.problems)
    _print_table(
        console, "What became of each row", words.ledger_words(found), align=("rows", "patients")
    )
    for sentence in words.checked(found):
        console.print(sentence, highlight=False, markup=False)
    raise typer.Exit(STOPPED if (found.problems["severity"] == "stop").any() else DONE)


@app.command()
def audit(
    cohort: CohortArgument = None,
    out: OutOption = Path("audit-report"),
    overwrite: OverwriteOption = False,
    seed: SeedOption = 1,
    notation: NotationOption = None,
) -> None:
    """Write an audit report: how much was achieved, how sure, what differs, what to look at."""
    _report("practice_audit", cohort, out, overwrite, seed, notation)


@app.command("case-series")
def case_series(
    cohort: CohortArgument = None,
    out: OutOption = Path("case-series-report"),
    poster: Annotated[
        bool,
        typer.Option(
            "--poster", help="Write posters (A0 portrait, 48 x 36 in landscape) and slides too."
        ),
    ] = False,
    overwrite: OverwriteOption = False,
    seed: SeedOption = 1,
    notation: NotationOption = None,
) -> None:
    """Write a case series: figures, tables and text for a paper, a draft in Word, a poster."""
    _report("case_series", cohort, out, overwrite, seed, notation, poster=poster)


@app.command()
def calibrate(
    cohort: CohortArgument = None,
    aims: Annotated[
        Path | None,
        typer.Option(
            "--aims",
            exists=True,
            dir_okay=False,
            help="A new patient's aims (.xlsx or .csv): tooth, movement, aim. Adds a plan sheet.",
        ),
    ] = None,
    out: OutOption = Path("calibration-report"),
    since: Annotated[
        str | None,
        typer.Option(
            metavar="YYYY-MM-DD", help="Day from which factors were used: before against after."
        ),
    ] = None,
    covariate: Annotated[
        list[str] | None,
        typer.Option(help="Column on which the rates should depend; the aims need it too."),
    ] = None,
    over_cap: Annotated[
        float, typer.Option(min=0.01, max=0.99, help="Largest chance of going too far.")
    ] = 0.10,
    max_factor: Annotated[
        float, typer.Option(min=1.0, help="No plan above this many times the aim.")
    ] = 2.0,
    aligners: Annotated[
        int | None, typer.Option(min=1, help="Most aligners the course may have.")
    ] = None,
    days: Annotated[float, typer.Option(min=1.0, help="Days each aligner is worn.")] = 7.0,
    overwrite: OverwriteOption = False,
    seed: SeedOption = 1,
    notation: NotationOption = None,
) -> None:
    """Write factors, how well they would have helped, and a plan sheet for a patient's aims."""
    _check_aims(aims, notation)
    _report(
        "overcorrection",
        cohort,
        out,
        overwrite,
        seed,
        notation,
        aims=None if aims is None else str(aims.absolute()),
        since=None if since is None else _day(since),
        covariates=list(covariate or []),
        over_cap=over_cap,
        max_factor=max_factor,
        aligners=aligners,
        days_per_aligner=days,
    )
    _say_aims_problems(out)


def _check_aims(aims: Path | None, notation: Notation | None) -> None:
    """Say how many aims can be used; stop with all problems listed where none can."""
    from outcomes.overcorrect.aims import aims_counted, read_aims

    if aims is None:
        return
    try:
        found = read_aims(aims, notation=notation)
    except CohortError as error:
        _stop(error, "The aims cannot be used until what says 'stop' is put right.")
    typer.echo(aims_counted(found.rows, found.problems))
    if len(found.problems):
        _print_problems(_console(), found.problems, "Problems of the aims")


def _say_aims_problems(out: Path) -> None:
    """Add the problems of the aims to problems.csv of the report."""
    from outcomes.reports.overcorrection.results import join_aims_problems
    from outcomes.words.english import counted

    joined = join_aims_problems(out)
    if joined:
        typer.echo(f"{counted(joined, 'problem')} of the aims: see problems.csv.")


def _day(text: str) -> str:
    from datetime import date

    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        _wrong_use(f"--since {text}: write a day as 2025-01-31.")


@app.command()
def lab(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for your notebooks.")],
    cohort: CohortArgument = None,
    notation: NotationOption = None,
    open_lab: Annotated[
        bool, typer.Option("--open/--no-open", help="Open JupyterLab there afterwards.")
    ] = True,
) -> None:
    """Copy the notebooks to a folder, set to your cohort, and open JupyterLab there."""
    from outcomes.reports.build.lab import copy_notebooks, lab_command, open_jupyter

    _say_demo(cohort)
    if folder.exists() and not folder.is_dir():
        _wrong_use(f"{folder} is a file: give a folder.")
    copied = copy_notebooks(folder, cohort, notation=notation)
    for name in copied.written:
        typer.echo(f"Copied {name}")
    for name in copied.kept:
        typer.echo(f"Kept {name}: it was edited, so it is left as it is")
    if open_lab:
        raise typer.Exit(open_jupyter(folder))
    typer.echo(f"To open them: {lab_command(folder)}")


add_commands(app)


def _report(
    notebook: str,
    cohort: Path | None,
    out: Path,
    overwrite: bool,
    seed: int,
    notation: Notation | None,
    **options: Any,
) -> None:
    from outcomes.progress import shown
    from outcomes.reports.build.run import run_report

    _say_demo(cohort)
    try:
        with shown() as step:
            report = run_report(
                notebook,
                cohort,
                out,
                {"seed": seed, "notation": notation, **options},
                step,
                overwrite=overwrite,
            )
    except OutputRefused as error:
        _wrong_use(str(error))
    except CohortError as error:
        _stop(error)
    except ReportFailed as error:
        typer.echo(f"{error}\nNothing was written.", err=True)
        raise typer.Exit(FAILED) from error
    except KeyboardInterrupt:
        typer.echo("Stopped. Nothing was written.", err=True)
        raise typer.Exit(INTERRUPTED) from None
    for warning in report.warnings:
        typer.echo(f"Note from the notebook: {warning}", err=True)
    typer.echo(f"The report is in {report.folder}: open {report.page}")


def _say_demo(cohort: Path | None) -> None:
    if cohort is None:
        typer.echo("No cohort given: this is invented demonstration data.")


if __name__ == "__main__":
    main()
