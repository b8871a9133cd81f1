"""What the commands say: sentences, tables, problems, questions; and how they stop."""

from typing import TYPE_CHECKING, Any, NoReturn

import typer

from outcomes.cli.app import STOPPED, WRONG_USE
from outcomes.errors import CohortError

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from rich.console import Console

    from outcomes.cohort.dialogue import Voice
    from outcomes.cohort.mapping.questions import Question


def say_demo(cohort: "Path | None") -> None:
    if cohort is None:
        typer.echo("No cohort given: this is invented demonstration data.")


def wrong_use(message: str) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(WRONG_USE)


def stop(
    error: CohortError,
    last: str = "The cohort cannot be analysed until what says 'stop' is put right.",
) -> NoReturn:
    console = console_of(stderr=True)
    print_problems(console, error.problems)
    console.print(last)
    raise typer.Exit(STOPPED) from error


def console_of(stderr: bool = False) -> "Console":
    from rich.console import Console

    console = Console(stderr=stderr)
    # Into a file or a pipe there is no width to fit: leave the lines whole.
    return console if console.is_terminal else Console(stderr=stderr, width=160)


def print_problems(console: "Console", problems: "pd.DataFrame", title: str = "Problems") -> None:
    if not len(problems):
        console.print("No problems found.")
        return
    first = ["severity", *(name for name in problems.columns if name != "severity")]
    print_table(console, title, problems[first], align=("row",))


def print_table(
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


def voice() -> "Voice":
    from outcomes.cohort.dialogue import Voice

    console = console_of()

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
        lambda title, frame: print_table(console, title, frame),
        choose,
        lambda text: typer.confirm(text),
    )
