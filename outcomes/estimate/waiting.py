"""Progress of a long computation, shown only once it has taken two seconds."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

PATIENCE = 2.0  # seconds before anything is shown


@contextmanager
def progress_bar(
    total: int, label: str, show: bool | None = None
) -> Iterator[Callable[[int], None]]:
    """Yield a function to call with the number of steps done since the last call.

    Parameters
    ----------
    total
        Steps in all.
    label
        What is going on.
    show
        Show the bar from the start (True), never (False), or after two seconds if standard error
        is a terminal (None).
    """
    from rich.console import Console
    from rich.progress import Progress

    started, wanted = time.monotonic(), show
    bar = Progress(console=Console(file=sys.stderr), transient=True)
    task = bar.add_task(label, total=total)
    shown = False

    def advance(steps: int) -> None:
        nonlocal shown
        bar.update(task, advance=steps)
        waited = time.monotonic() - started > PATIENCE
        if not shown and (wanted or (wanted is None and waited and sys.stderr.isatty())):
            shown = True
            bar.start()

    try:
        yield advance
    finally:
        if shown:
            bar.stop()
