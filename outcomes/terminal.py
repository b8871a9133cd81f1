"""What the commands share: exit statuses, common arguments, and how they print."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

import typer

from outcomes.errors import CohortError

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

DONE, STOPPED, WRONG_USE, FAILED, INTERRUPTED = 0, 1, 2, 3, 130

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


def wrong_use(message: str) -> NoReturn:
    """Say what is wrong with the call, and end."""
    typer.echo(message, err=True)
    raise typer.Exit(WRONG_USE)


def stop(
    error: CohortError,
    last: str = "The cohort cannot be analysed until what says 'stop' is put right.",
) -> NoReturn:
    shown = console(stderr=True)
    print_problems(shown, error.problems)
    shown.print(last)
    raise typer.Exit(STOPPED) from error


def console(stderr: bool = False) -> "Console":
    """Where to print."""
    from rich.console import Console

    shown = Console(stderr=stderr)
    # Into a file or a pipe there is no width to fit: leave the lines whole.
    return shown if shown.is_terminal else Console(stderr=stderr, width=160)


def print_problems(shown: "Console", problems: "pd.DataFrame", title: str = "Problems") -> None:
    if not len(problems):
        shown.print("No problems found.")
        return
    first = ["severity", *(name for name in problems.columns if name != "severity")]
    print_table(shown, title, problems[first], align=("row",))


def print_table(
    shown: "Console", title: str, frame: "pd.DataFrame", align: tuple[str, ...] = ()
) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for column in frame.columns:
        table.add_column(column, justify="right" if column in align else "left", overflow="fold")
    for row in frame.itertuples(index=False, name=None):
        table.add_row(*(Text(_plain(value)) for value in row))
    shown.print(table)


def _plain(value: Any) -> str:
    import pandas as pd

    return "" if value is None or value is pd.NA or value != value else str(value)
