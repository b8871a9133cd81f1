"""The command line as one application: its name, its help, its exit statuses, shared options."""

from pathlib import Path
from typing import Annotated, Literal

import typer

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
