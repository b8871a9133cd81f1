"""Generated parts of README.md, each between its markers."""

from __future__ import annotations

import re
from pathlib import Path


def replace_part(path: Path, name: str, text: str) -> None:
    """Put ``text`` between ``<!-- name: generated -->`` and ``<!-- name: end -->``.

    Raises
    ------
    ValueError
        If the file lacks the markers.
    """
    whole = path.read_text(encoding="utf-8")
    start, end = f"<!-- {name}: generated -->", f"<!-- {name}: end -->"
    pattern = re.compile(re.escape(start) + ".*?" + re.escape(end), re.DOTALL)
    if not pattern.search(whole):
        raise ValueError(f"{path.name} has no part between {start} and {end}")
    path.write_text(pattern.sub(lambda _: f"{start}\n{text}\n{end}", whole), encoding="utf-8")
