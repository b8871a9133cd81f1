"""A progress display that appears only when the wait is longer than two seconds."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

PATIENCE = 2.0
"""Seconds before anything is shown."""

Step = Callable[[str, int, int], None]
"""Called with what is being done, steps done, and steps in all."""


def silent(what: str, done: int, total: int) -> None:
    """Show nothing.

    Examples
    --------
    >>> silent("reading", 1, 3)
    """


@contextmanager
def shown(console: Console | None = None, *, patience: float = PATIENCE) -> Iterator[Step]:
    """Give a function to report steps to; show a bar once ``patience`` seconds have passed.

    The bar is written to standard error and is removed at the end.

    Examples
    --------
    >>> with shown() as step:
    ...     step("reading", 1, 2)
    """
    console = console or Console(stderr=True)
    progress = Progress(
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
    task = progress.add_task("Starting", total=None)
    timer = threading.Timer(patience, progress.start)
    timer.daemon = True
    timer.start()

    def step(what: str, done: int, total: int) -> None:
        progress.update(task, description=what, completed=done, total=total)

    try:
        yield step
    finally:
        timer.cancel()
        timer.join()
        progress.stop()


@contextmanager
def counted(what: str, total: int) -> Iterator[Callable[[int], None]]:
    """Give a function to call with the number of steps done since its last call.

    Examples
    --------
    >>> with counted("refitting", 100) as advance:
    ...     advance(100)
    """
    done = 0
    with shown() as step:

        def advance(steps: int) -> None:
            nonlocal done
            done += steps
            step(what, done, total)

        yield advance
