"""Several files read as one cohort."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.build import checked_tables, cohort_of, places_of, typed_tables
from outcomes.cohort.join import Joined, Taking, file_labels, join
from outcomes.cohort.mapping.opened import source_at
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.problems import any_stop
from outcomes.cohort.records import Cohort
from outcomes.cohort.sources import Source, is_demo
from outcomes.cohort.typed import Typed
from outcomes.domain.teeth import Notation
from outcomes.errors import InputError


@dataclass(frozen=True)
class Together:
    """Several files read as one cohort.

    Attributes
    ----------
    cohort
        What they make together.
    joined
        Their tables joined, and what was found in joining them.
    tables
        The joined tables after all checks, with the rows set aside.
    patients
        Codes of the patients of each file, as written there.
    """

    cohort: Cohort
    joined: Joined
    tables: dict[str, Typed]
    patients: tuple[frozenset[str], ...]


def read_together(
    paths: Sequence[str | Path],
    notation: Notation | None = None,
    *,
    strict: bool = True,
    taking: Taking = "neither",
    renamed: Sequence[dict[str, str]] = (),
    mappings: Sequence[Mapping | str | Path | None] = (),
    answered: Collection[str] = (),
) -> Together:
    """Read several files as one cohort.

    Parameters
    ----------
    paths, notation, strict
        As in :func:`read_cohort`.
    taking
        Whose values hold where the files contradict each other.
    renamed
        For each file the codes of patients to be read as others.
    mappings
        For each file how it is read, where its layout is its own.
    answered
        As in :func:`read_cohort`.
    """
    places = [Path(path) for path in paths]
    if not places:
        raise InputError("No file to read: give at least one.")
    files = file_labels(places)
    hows = [*mappings, *[None] * (len(places) - len(mappings))]
    sources = [source_at(place, how) for place, how in zip(places, hows, strict=True)]
    found: list[pd.DataFrame] = []
    parts: list[dict[str, Typed]] = []
    patients: list[frozenset[str]] = []
    for i, (source, file) in enumerate(zip(sources, files, strict=True)):
        alone, typed = typed_tables(source, notation)
        found += [frame.assign(file=file) for frame in alone]
        codes = renamed[i] if i < len(renamed) else {}
        patients.append(frozenset(p for t in typed.values() for p in t.named.patients if p))
        parts.append({name: _with_codes(table, codes) for name, table in typed.items()})
    stopped = any_stop(found) or any(t.sieve.stopped for part in parts for t in part.values())
    known = set(answered) | {
        key for s in sources if s.mapping is not None for key in s.mapping.answered
    }
    joined = join(parts, files, taking=taking, match=not stopped)
    checked = joined.tables if stopped else checked_tables(joined.tables, known)
    digest = hashlib.sha256("".join(source.sha256 for source in sources).encode())
    cohort = cohort_of(
        Source(" + ".join(files), digest.hexdigest()),
        found,
        checked,
        strict=strict,
        invented=any(s.invented or is_demo(p) for s, p in zip(sources, places, strict=True)),
        files=files,
        answered=known,
        places={k: v for i, s in enumerate(sources) for k, v in places_of(s, i).items()},
    )
    return Together(cohort, joined, checked, tuple(patients))


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    texts = [n for n in frame if isinstance(frame[n].dtype, pd.CategoricalDtype)]
    typed = {
        n: "str" if isinstance(frame[n].cat.categories.dtype, pd.StringDtype) else object
        for n in texts
    }
    return frame.astype(typed)


def _with_codes(table: Typed, codes: dict[str, str]) -> Typed:
    """A table in which patients have other codes; texts as they are, no longer by distinct ones."""
    table = Typed(
        replace(table.named, frame=_plain(table.named.frame)), _plain(table.frame), table.sieve
    )
    if not codes or "patient" not in table.named.frame:
        return table
    raw, frame = table.named.frame, table.frame
    words = pd.Series(cells.texts(raw["patient"]), index=raw.index, dtype=object)
    named = replace(table.named, frame=raw.assign(patient=words.replace(codes)))
    return Typed(named, frame.assign(patient=frame["patient"].replace(codes)), table.sieve)
