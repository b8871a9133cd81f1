"""Write a folder whole or not at all."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from outcomes.errors import OutputRefused
from outcomes.reports.build.provenance import is_report


def check_free(out: Path, *, overwrite: bool) -> None:
    """Refuse an output folder that holds anything but a report of ours to be replaced.

    Raises
    ------
    OutputRefused
        If it exists and ``overwrite`` is False, or if it is not a report of ours.

    Examples
    --------
    >>> check_free(Path("a-folder-that-is-not-there"), overwrite=False)
    """
    if not out.exists() and not out.is_symlink():
        return
    if out.is_symlink() or not out.is_dir():
        raise OutputRefused(f"{out} is not a folder: choose another name with --out.")
    if not any(out.iterdir()):
        return
    if not overwrite:
        raise OutputRefused(
            f"{out} exists already: choose another folder with --out, or add --overwrite "
            "to replace it if it is a report written by outcomes."
        )
    if not is_report(out):
        raise OutputRefused(
            f"{out} holds something other than a report written by outcomes, so it is left "
            "alone: choose another folder with --out."
        )


@contextmanager
def written_whole(out: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Give a new folder beside ``out``; move it into place when the block ends well.

    When the block fails, or Ctrl-C ends it, nothing is left behind and an older report at
    ``out`` stays as it was.

    Raises
    ------
    OutputRefused
        See `check_free`.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as home:
    ...     with written_whole(Path(home, "report")) as folder:
    ...         _ = (folder / "note.txt").write_text("whole")
    ...     sorted(path.name for path in Path(home).iterdir())
    ['report']
    """
    out = out.absolute()
    check_free(out, overwrite=overwrite)
    made = [parent for parent in out.parents if not parent.exists()]
    beside: Path | None = None
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
        folder = beside / "new"
        folder.mkdir()
        yield folder
        _move_into_place(folder, out, old=beside / "old", overwrite=overwrite)
    except BaseException:
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)
        for parent in made:
            if parent.exists() and not any(parent.iterdir()):
                parent.rmdir()
        raise
    shutil.rmtree(beside)


def _move_into_place(folder: Path, out: Path, *, old: Path, overwrite: bool) -> None:
    check_free(out, overwrite=overwrite)
    if out.exists():
        out.rename(old)
    try:
        folder.rename(out)
    except BaseException:
        if old.exists():
            old.rename(out)
        raise
