"""What changed the overbite, in words."""

from __future__ import annotations

from outcomes.reports.series.sentences import Sentence, joined, phrase
from outcomes.reports.series.supplement import BITE_TEETH, bite_way
from outcomes.reports.series.words.source import Source
from outcomes.reports.table import NOT_MEASURED, Ref


def of_patients(count: Ref) -> Sentence:
    """``3 of 10 patients``."""
    return Sentence(f"{count} patient{'' if count.text.endswith(' of 1') else 's'}", (count,))


def bite(s: Source) -> list[Sentence]:
    """The change of overbite of each group, part by part."""
    if "bite" not in s:
        return []
    keys = [line.key for line in s.tables["bite"].rows if line.key.endswith(" change")]
    return [
        *(said for key in keys for said in _bite_of(s, key.removesuffix(" change"))),
        Sentence(
            "The part of the molars rests on the assumed lever; apart from it, the parts are means of "
            "what was measured."
        ),
    ]


def _bite_of(s: Source, group: str) -> list[Sentence]:
    """The change of overbite of a group, part by part, and the parts that were not measured."""

    def part(component: str, column: str = "Mean (SD)") -> Ref:
        return s.ref("bite", f"{group} {component}", column)

    who = "" if group == "all" else f" in {group} cases"
    counts = {name: part(name, "Patients") for name in ("change", *BITE_TEETH)}
    single = s.one or counts["change"].text.startswith("1 of ")
    measured = [name for name in BITE_TEETH if part(name).text != NOT_MEASURED]
    absent = [name for name in BITE_TEETH if name not in measured]
    same = len({counts[name].text for name in ("change", *measured)}) == 1
    found = []
    for name in measured:
        apart = "" if same or s.one else " (measured in {n})"
        parts = {"value": part(name)} | ({"n": of_patients(counts[name])} if apart else {})
        found.append(phrase(f"{{value}} mm from {bite_way(name, part(name).text)}{apart}", **parts))
    unexplained = part("unexplained")
    if unexplained.text != "–":
        found.append(phrase("{rest} mm not explained", rest=unexplained))
    sentences = [
        s.say(
            "{how} change of overbite{who} was {change} mm{n}{parts} ({label bite}).",
            how="the" if single else "the mean (SD)",
            who=who,
            change=part("change"),
            n="" if s.one else phrase(" ({n})", n=of_patients(counts["change"])),
            parts=phrase(": {parts}", parts=joined(found)) if found else "",
        )
    ]
    unknown = "so what is left unexplained is not known."
    if absent:
        names = joined(BITE_TEETH[name][0] for name in absent).text
        names = names.replace("molars", "molars of both arches")
        sentences.append(Sentence(f"Vertical movement of {names} was not measured{who}, {unknown}"))
    elif unexplained.text == "–":
        case = "patient" if group == "all" else f"{group} case"
        sentences.append(Sentence(f"In no {case} were all parts measured, {unknown}"))
    if not same and len(found) > 1:
        sentences.append(
            Sentence("These are means of different patients, so they need not add up.")
        )
    return sentences
