"""Write a file or a folder whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from outcomes.errors import OutputRefused


def require_new(path: Path) -> None:
    """OutputRefused if something stands at ``path``, or its folder is not there."""
    if path.exists() or path.is_symlink():
        raise OutputRefused(f"{path} exists already and is left as it is: choose another name.")
    if not path.absolute().parent.is_dir():
        raise OutputRefused(f"There is no folder {path.absolute().parent}: make it first.")


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give a place of the same name beside ``path``; move it there when the block ends well.

    Raises
    ------
    OutputRefused
        See :func:`require_new`.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as home:
    ...     with written_whole(Path(home, "note.txt")) as file:
    ...         _ = file.write_text("whole")
    ...     sorted(path.name for path in Path(home).iterdir())
    ['note.txt']
    """
    require_new(path)
    beside = Path(tempfile.mkdtemp(prefix=".outcomes-", dir=path.absolute().parent))
    try:
        yield beside / path.name
        require_new(path)
        os.rename(beside / path.name, path)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
