"""Texts read and approved by a person, kept beside the tests: a change in any of them is shown.

A test that fails here shows what changed. If the new text is right, write it anew and read the
difference before it is committed::

    APPROVE=1 pytest tests/cohort/test_limits_texts.py && git diff tests/approved
"""

import difflib
import os
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent


def as_approved(name: str, text: str) -> None:
    """Hold a text against the approved one of that name."""
    path = FOLDER / f"{name}.txt"
    text = "\n".join(line.rstrip() for line in text.splitlines()) + "\n"
    if os.environ.get("APPROVE"):
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    approved = path.read_text(encoding="utf-8")
    if text != approved:
        changed = difflib.unified_diff(
            approved.splitlines(), text.splitlines(), "approved", "now", lineterm="", n=0
        )
        pytest.fail(
            f"{path.name} reads otherwise; with APPROVE=1 the new text is taken:\n"
            + "\n".join(list(changed)[:40])
        )
