"""The cautions of ``shared/cautions.md``, and the short one for the foot of a page."""

from __future__ import annotations

from functools import cache

from outcomes.paths import data_path

__all__ = ["IN_SHORT", "PLANNING", "cautions"]

IN_SHORT = (
    "Evidence from past cases, not advice: the treating clinician decides. Crowns were measured, not "
    "roots, bone or gum. Check the periodontium and the radiographs; keep to the limits of each "
    "aligner; local rules come first."
)
"""For the foot of every page that suggests a number."""


PLANNING = ("Always", "Planning the next course")
"""The parts that stand beside every number for the next course."""


def cautions(*headings: str) -> list[str]:
    """Sentences of the parts named, without markup, in the order of the file; all when none is named.

    Raises
    ------
    KeyError
        If there is no such part.

    Examples
    --------
    >>> cautions("Always")[0][:32]
    'The treating clinician decides. '
    """
    parts = _parts()
    missing = [name for name in headings if name not in parts]
    if missing:
        raise KeyError(f"shared/cautions.md has no section {', '.join(missing)}")
    return [line for name in parts if name in (headings or parts) for line in parts[name]]


@cache
def _parts() -> dict[str, tuple[str, ...]]:
    """Heading -> its sentences."""
    text = data_path("shared", "cautions.md").read_text(encoding="utf-8")
    found = {}
    for part in text.split("\n## ")[1:]:
        heading, body = part.split("\n", 1)
        lines = (line.strip() for line in body.splitlines())
        found[heading.strip()] = tuple(
            line.removeprefix("- ").replace("**", "") for line in lines if line.startswith("- ")
        )
    return found
