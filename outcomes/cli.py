"""The command line: it parses, calls and prints; everything else is in the package."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

import typer

from outcomes.errors import CohortError, OutcomesError, OutputRefused, ReportFailed

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from outcomes.cohort.dialogue import Voice
    from outcomes.cohort.mapping.questions import Question


DONE, STOPPED, WRONG_USE, FAILED, INTERRUPTED = 0, 1, 2, 3, 130

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


Notation = Literal["fdi", "universal", "quadrant"]

CohortArgument = Annotated[
    Path | None,
    typer.Argument(
        metavar="[COHORT]",
        exists=True,
        help="A workbook (.xlsx), a folder of .csv or .parquet files, or a movements .csv. "
        "Without it invented demonstration data are used.",
    ),
]
NotationOption = Annotated[
    Notation | None,
    typer.Option(
        help="Tooth notation of the input. Needed only where its numbers could be two notations."
    ),
]
MappingOption = Annotated[
    Path | None,
    typer.Option(
        exists=True,
        dir_okay=False,
        help="How the input is read, where its layout is its own: the file `outcomes map` wrote.",
    ),
]
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


@app.command("map")
def map_records(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", exists=True, help="A workbook, a text file, or a folder of such files."
        ),
    ],
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write; beside FILE when not given.")
    ] = None,
    answer: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY=VALUE", help="Answer a question beforehand, by its key."),
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Ask nothing: write only if nothing is doubtful.")
    ] = False,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace an earlier mapping.")
    ] = False,
) -> None:
    """Say once how records in a layout of your own are read; the file itself is never changed."""
    from outcomes.cohort.dialogue import answers_of, confirmed, own_place
    from outcomes.cohort.mapping.file import write_mapping
    from outcomes.cohort.mapping.opened import mapping_beside
    from outcomes.cohort.proposal import propose_mapping

    target = out or mapping_beside(file)
    if target.exists() and not overwrite:
        _wrong_use(f"{target} exists already: give --overwrite to replace it, or another --out.")
    if not target.absolute().parent.is_dir():
        _wrong_use(f"There is no folder {target.absolute().parent}: make it first.")
    try:
        proposal = propose_mapping(file, answers_of(list(answer or [])))
        mapping = confirmed(proposal, _voice(), accept=accept)
    except ValueError as error:
        if isinstance(error, OutcomesError):
            _wrong_use(str(error))
        _wrong_use(f"--answer {error}: write it as KEY=VALUE.")
    except OutcomesError as error:
        _wrong_use(str(error))
    if mapping is None:
        raise typer.Exit(STOPPED)
    write_mapping(mapping, target, overwrite=overwrite)
    where = f"{own_place(file)} --mapping {own_place(target)}"
    typer.echo(f"Wrote {target}. Use it with every command: outcomes check {where}")


@app.command()
def check(
    cohort: CohortArgument = None,
    mapping: MappingOption = None,
    notation: NotationOption = None,
) -> None:
    """Read a cohort; list every problem with its remedy, and account for every row."""
    from outcomes.cohort.read import read_cohort
    from outcomes.reports.audit import words
    from outcomes.reports.build.run import demo_path

    _say_demo(cohort)
    console = _console()
    try:
        found = read_cohort(cohort or demo_path(), mapping=mapping, notation=notation, strict=False)
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


def _voice() -> "Voice":
    from outcomes.cohort.dialogue import Voice

    console = _console()

    def choose(question: "Question") -> str:
        typer.echo(f"\n{question.text}")
        if question.why:
            typer.echo(f"  ({question.why})")
        options = list(question.options)
        for number, option in enumerate(options, 1):
            likely = "  <- likely" if option == question.proposed else ""
            typer.echo(f"  {number}  {option}: {question.options[option]}{likely}")
        while True:
            picked = typer.prompt("Number").strip()
            if picked in options:
                return picked
            if picked.isascii() and picked.isdigit() and 1 <= int(picked) <= len(options):
                return options[int(picked) - 1]
            typer.echo(f"Type a number from 1 to {len(options)}.")

    return Voice(
        typer.echo,
        lambda title, frame: _print_table(console, title, frame),
        choose,
        lambda text: typer.confirm(text),
    )


def _say_demo(cohort: Path | None) -> None:
    if cohort is None:
        typer.echo("No cohort given: this is invented demonstration data.")


def _wrong_use(message: str) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(WRONG_USE)


def _stop(
    error: CohortError,
    last: str = "The cohort cannot be analysed until what says 'stop' is put right.",
) -> NoReturn:
    console = _console(stderr=True)
    _print_problems(console, error.problems)
    console.print(last)
    raise typer.Exit(STOPPED) from error


def _console(stderr: bool = False) -> "Console":
    from rich.console import Console

    console = Console(stderr=stderr)
    # Into a file or a pipe there is no width to fit: leave the lines whole.
    return console if console.is_terminal else Console(stderr=stderr, width=160)


def _print_problems(console: "Console", problems: "pd.DataFrame", title: str = "Problems") -> None:
    if not len(problems):
        console.print("No problems found.")
        return
    first = ["severity", *(name for name in problems.columns if name != "severity")]
    _print_table(console, title, problems[first], align=("row",))


def _print_table(
    console: "Console", title: str, frame: "pd.DataFrame", align: tuple[str, ...] = ()
) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for column in frame.columns:
        table.add_column(column, justify="right" if column in align else "left", overflow="fold")
    for row in frame.itertuples(index=False, name=None):
        table.add_row(*(Text(_plain(value)) for value in row))
    console.print(table)


def _plain(value: Any) -> str:
    import pandas as pd

    return "" if value is None or value is pd.NA or value != value else str(value)


if __name__ == "__main__":
    main()
