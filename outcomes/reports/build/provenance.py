"""Where a report came from: input, versions, seed, options, time. Never a path on the machine."""

import hashlib
import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from outcomes.paths import versions

PACKAGES = (
    "outcomes",
    "numpy",
    "pandas",
    "scipy",
    "statsmodels",
    "pingouin",
    "matplotlib",
    "papermill",
    "nbconvert",
)


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, as 64 hexadecimal digits.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "empty")
    ...     _ = file.write_bytes(b"")
    ...     file_sha256(file)[:8]
    'e3b0c442'
    """
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def provenance(
    *,
    report: str,
    source: str,
    sha256: str,
    invented: bool,
    notebook_sha256: str,
    seed: int,
    options: Mapping[str, Any],
    now: datetime | None = None,
) -> dict[str, Any]:
    """What ``provenance.json`` holds; paths among the options are cut to their file names.

    ``report`` is the name of the notebook, ``notebook_sha256`` that of the notebook before it was
    run; ``source`` and ``sha256`` are of the cohort that was read, its file name without a folder;
    ``invented`` is True for a demonstration cohort; ``now`` has its offset from UTC, and is the
    present when None.

    Examples
    --------
    >>> record = provenance(report="practice_audit", source="a.csv", sha256="0" * 64,
    ...     invented=False, notebook_sha256="1" * 64, seed=1, options={})
    >>> record["input"]["file"], record["seed"]
    ('a.csv', 1)
    """
    written = now or datetime.now().astimezone()
    plain = {k: v.name if isinstance(v, Path) else v for k, v in sorted(options.items())}
    return {
        "written_by": "outcomes",
        "report": report,
        "notebook_sha256": notebook_sha256,
        "input": {"file": source, "sha256": sha256, "invented": invented},
        "seed": seed,
        "options": plain,
        "versions": versions(PACKAGES),
        "written": written.isoformat(timespec="seconds"),
    }


def write_provenance(record: Mapping[str, Any], folder: Path) -> Path:
    """Write ``provenance.json`` into a report folder and return its path."""
    path = folder / "provenance.json"
    path.write_text(json.dumps(record, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return path


def is_report(folder: Path) -> bool:
    """Whether a folder is a report of ours: its ``provenance.json`` says so.

    Examples
    --------
    >>> is_report(Path("nowhere"))
    False
    """
    try:
        record = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(record, dict) and record.get("written_by") == "outcomes"
