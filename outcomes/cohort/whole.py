"""Write a file or a folder whole or not at all."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from outcomes.cohort.sources import INVENTED, bytes_at, read_pages, read_source
from outcomes.errors import InputError, OutputRefused
from outcomes.words.english import listed


def require_new(path: Path) -> None:
    """OutputRefused if something stands at ``path``, or its folder is not there."""
    if path.exists() or path.is_symlink():
        raise OutputRefused(f"{path} exists already and is left as it is: choose another name.")
    if not path.absolute().parent.is_dir():
        raise OutputRefused(f"There is no folder {path.absolute().parent}: make it first.")


def kept_beside(path: Path, day: dt.date) -> Path:
    """The name under which the earlier file is kept: ``NAME.before-YYYY-MM-DD.ext``.

    Examples
    --------
    >>> kept_beside(Path("practice.xlsx"), dt.date(2025, 3, 1)).name
    'practice.before-2025-03-01.xlsx'
    """
    suffix = "" if path.is_dir() else path.suffix
    stem = f"{path.name.removesuffix(suffix)}.before-{day.isoformat()}"
    kept, count = path.with_name(f"{stem}{suffix}"), 2
    while kept.exists() or kept.is_symlink():
        kept, count = path.with_name(f"{stem}-{count}{suffix}"), count + 1
    return kept


@contextmanager
def put_in_place(path: Path, earlier: Path) -> Iterator[Path]:
    """Give a place beside ``path``; when the block ends well, keep what is there as ``earlier``.

    When it fails, ``path`` stays as it was.
    """
    beside = Path(tempfile.mkdtemp(prefix=".outcomes-", dir=path.parent))
    try:
        yield beside / path.name
        if path.is_dir():
            path.rename(earlier)
            try:
                (beside / path.name).rename(path)
            except BaseException:
                earlier.rename(path)
                raise
        else:
            shutil.copy2(path, beside / "earlier")
            require_new(earlier)
            (beside / "earlier").rename(earlier)
            os.replace(beside / path.name, path)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


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


#: Sheets that the empty workbook brings along, or that are written anew.
_ANEW = ("codebook", "lists", INVENTED)


def require_tables_alone(target: Path) -> None:
    """Refuse to write over a workbook with sheets that would not be written again.

    Raises
    ------
    InputError
        If sheets hold something that is no table of the schema.
    """
    read = {sheet.label for sheet in read_source(target).sheets.values()}
    pages = read_pages(bytes_at(target))
    lost = [
        page.label
        for page in pages
        if page.cells.size and page.label not in read and page.label.strip().casefold() not in _ANEW
    ]
    if lost:
        raise InputError(
            f"{target.name} has sheets that hold no table and would be lost: "
            f"{listed([repr(label) for label in lost])}. Give a new file with --out, or move them "
            f"to a workbook of their own."
        )
