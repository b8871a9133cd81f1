"""How the teeth of a cohort are numbered: one notation for all of it, or a problem that says why not."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.named import Named
from outcomes.domain import teeth
from outcomes.domain.teeth import Notation


def settle_notations(tables: dict[str, Named], asked: Notation | None) -> dict[str, Named]:
    """Settle how the teeth of each table are numbered; where it stays open, a stop problem says so.

    What is asked for or said in a heading holds. Tables that say nothing are settled together:
    a cohort is written in one notation.
    """
    tables = {name: named.further() for name, named in tables.items()}
    settled: dict[str, Notation | None] = {}
    silent: dict[str, Named] = {}
    for name, named in tables.items():
        if "tooth" not in named.frame:
            continue
        if asked and named.notation and asked != named.notation:
            named.sieve.stop(
                "tooth",
                f"the heading says {teeth.NOTATION_NAMES[named.notation]}, but "
                f"{teeth.NOTATION_NAMES[asked]} notation was asked for",
                "Correct the heading, or leave the notation option away.",
            )
        if asked or named.notation:
            settled[name] = asked or cast("Notation", named.notation)
        else:
            silent[name] = named
    said = {notation for notation in settled.values() if notation}
    tokens = {name: _tokens(named) for name, named in silent.items()}
    together = teeth.settle_notation(set().union(*tokens.values()))
    notation = together.notation
    if notation is None and not together.fits:
        notation = _but_for_slips(silent, together)
    for name, named in silent.items():
        alone = teeth.settle_notation(tokens[name])
        if notation:
            settled[name] = notation
        elif len(said) == 1 and said <= set(alone.fits):
            settled[name] = next(iter(said))
        else:
            settled[name] = alone.notation
        if settled[name] is None:
            _stop_notation(named, alone)
    return {n: replace(named, notation=settled.get(n) or "") for n, named in tables.items()}


def _tokens(named: Named) -> set[str]:
    return set(cells.by_unique(named.frame["tooth"][named.live], teeth.tooth_token).tolist()) - {""}


def _but_for_slips(silent: dict[str, Named], settled: teeth.Settled) -> Notation | None:
    """Notation of a mixed cohort whose strays can only be slips; None if they need not be.

    A patient's chart is written in one notation. So numbers that only Universal has are slips if
    every patient who has any has more numbers that only FDI has; and the other way round.
    """
    owner = {token: name for name, tokens in settled.only.items() for token in tokens}
    parts = [
        pd.DataFrame(
            {
                "patient": named.patients[named.live],
                "only": cells.by_unique(
                    named.frame["tooth"][named.live], lambda v: owner.get(teeth.tooth_token(v), "")
                ),
            }
        )
        for named in silent.values()
    ]
    rows = pd.concat(parts)
    rows = rows[(rows["only"] != "") & (rows["patient"] != "")]
    if rows.empty:
        return None
    counts = pd.crosstab(rows["patient"], rows["only"])
    main = cast("Notation", counts.sum().idxmax())
    strays = counts.drop(columns=main).sum(axis=1)
    if ((strays > 0) & (counts[main] <= strays)).any():
        return None
    known = teeth.NOTATION_NAMES[main]
    for named in silent.values():
        words = [t for t in _tokens(named) if owner.get(t, main) != main]
        if words:
            named.sieve.note(
                "tooth",
                f"read as {known}; numbers {known} does not have are taken for slips and excluded, "
                f"since every patient who has one has more that only {known} has",
                "Correct these rows; or say the notation in the heading, as in 'tooth (FDI)'.",
                value=", ".join(sorted(words)[:8]),
            )
    return main


def _stop_notation(named: Named, settled: teeth.Settled) -> None:
    remedy = (
        "Say which: head the column 'tooth (FDI)', 'tooth (Universal)' or 'tooth (quadrant)', or "
        'give the notation when reading (notation="fdi", --notation fdi).'
    )
    if settled.fits:
        names = " or ".join(teeth.NOTATION_NAMES[name] for name in settled.fits)
        problem = f"the tooth numbers could be {names} numbers"
    else:
        problem = "the tooth column mixes notations"
        parts = [
            f"{', '.join(tokens[:6])}{' …' if len(tokens) > 6 else ''} "
            f"{'is' if len(tokens) == 1 else 'are'} {teeth.NOTATION_NAMES[notation]} only"
            for notation, tokens in settled.only.items()
        ]
        remedy = (
            f"Of its values, {'; '.join(parts)}. Correct the stray ones, or say in the heading "
            f"which notation it is, as in 'tooth (FDI)' (or notation=\"fdi\", --notation fdi): "
            f"rows that do not fit are then excluded one by one."
        )
    named.sieve.stop("tooth", problem, remedy)
