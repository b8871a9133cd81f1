"""Commands that write a report, and the one that opens the notebooks."""

from pathlib import Path
from typing import Annotated, Any

import typer

from outcomes.cli.app import (
    FAILED,
    INTERRUPTED,
    CohortArgument,
    MappingOption,
    Notation,
    NotationOption,
    OutOption,
    OverwriteOption,
    SeedOption,
    app,
)
from outcomes.cli.spoken import console_of, print_problems, say_demo, stop, wrong_use
from outcomes.errors import CohortError, InputError, OutputRefused, ReportFailed


@app.command()
def audit(
    cohort: CohortArgument = None,
    out: OutOption = Path("audit-report"),
    overwrite: OverwriteOption = False,
    seed: SeedOption = 1,
    mapping: MappingOption = None,
    notation: NotationOption = None,
) -> None:
    """Write an audit report: how much was achieved, how sure, what differs, what to look at."""
    _report("practice_audit", cohort, out, overwrite, seed, notation, mapping)


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
    scans: Annotated[
        Path | None,
        typer.Option(
            "--scans",
            exists=True,
            file_okay=False,
            help="A folder that `outcomes measure` wrote: outlines of crowns for cases and poster.",
        ),
    ] = None,
    overwrite: OverwriteOption = False,
    seed: SeedOption = 1,
    mapping: MappingOption = None,
    notation: NotationOption = None,
) -> None:
    """Write a case series: figures, tables and text for a paper, a draft in Word, a poster."""
    if scans is not None:
        _check_outlines(scans)
    _report(
        "case_series",
        cohort,
        out,
        overwrite,
        seed,
        notation,
        mapping,
        poster=poster,
        scans=None if scans is None else str(scans.absolute()),
    )


def _check_outlines(scans: Path) -> None:
    """Stop before anything is computed where the folder holds no outlines."""
    from outcomes.reports.series.scans import read_outlines

    try:
        read_outlines(scans)
    except InputError as error:
        wrong_use(str(error))


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
    mapping: MappingOption = None,
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
        mapping,
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
        stop(error, "The aims cannot be used until what says 'stop' is put right.")
    typer.echo(aims_counted(found.rows, found.problems))
    if len(found.problems):
        print_problems(console_of(), found.problems, "Problems of the aims")


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
        wrong_use(f"--since {text}: write a day as 2025-01-31.")


@app.command()
def lab(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for your notebooks.")],
    cohort: CohortArgument = None,
    mapping: MappingOption = None,
    notation: NotationOption = None,
    open_lab: Annotated[
        bool, typer.Option("--open/--no-open", help="Open JupyterLab there afterwards.")
    ] = True,
) -> None:
    """Copy the notebooks to a folder, set to your cohort, and open JupyterLab there."""
    from outcomes.reports.build.lab import copy_notebooks, lab_command, open_jupyter

    say_demo(cohort)
    if folder.exists() and not folder.is_dir():
        wrong_use(f"{folder} is a file: give a folder.")
    copied = copy_notebooks(folder, cohort, notation=notation, mapping=mapping)
    for name in copied.written:
        typer.echo(f"Copied {name}")
    for name in copied.kept:
        typer.echo(f"Kept {name}: it was edited, so it is left as it is")
    if open_lab:
        raise typer.Exit(open_jupyter(folder))
    typer.echo(f"To open them: {lab_command(folder)}")


def _report(
    notebook: str,
    cohort: Path | None,
    out: Path,
    overwrite: bool,
    seed: int,
    notation: Notation | None,
    mapping: Path | None = None,
    **options: Any,
) -> None:
    from outcomes.progress import shown
    from outcomes.reports.build.run import run_report

    if mapping is not None and cohort is None:
        wrong_use("--mapping needs the input it was made for.")
    say_demo(cohort)
    try:
        with shown() as step:
            report = run_report(
                notebook,
                cohort,
                out,
                {
                    "seed": seed,
                    "notation": notation,
                    "mapping": None if mapping is None else str(mapping.absolute()),
                    **options,
                },
                step,
                overwrite=overwrite,
            )
    except OutputRefused as error:
        wrong_use(str(error))
    except CohortError as error:
        stop(error)
    except InputError as error:
        wrong_use(str(error))
    except ReportFailed as error:
        typer.echo(f"{error}\nNothing was written.", err=True)
        raise typer.Exit(FAILED) from error
    except KeyboardInterrupt:
        typer.echo("Stopped. Nothing was written.", err=True)
        raise typer.Exit(INTERRUPTED) from None
    for warning in report.warnings:
        typer.echo(f"Note from the notebook: {warning}", err=True)
    typer.echo(f"The report is in {report.folder}: open {report.page}")
