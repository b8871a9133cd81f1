"""The movements of teeth, every fact about each, and the limits that hold for them.

To add a movement, add one entry to ``MOVEMENTS``; the limits by unit stand in ``limits``.
"""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.domain.limits import LIMITS, TOLERANCE
from outcomes.errors import InputError

TOOTH_CLASSES = ("incisor", "canine", "premolar", "molar")

_OF_UNIT = float("nan")


@dataclass(frozen=True)
class Invented:
    """What invented cohorts (``outcomes.simulate``) take of a movement; evidence of nothing.

    Attributes
    ----------
    rates
        Share of the plan achieved without an attachment, by tooth class as in ``TOOTH_CLASSES``.
    planned
        Share of teeth planned to move so, by tooth class.
    aim_sd
        SD of the aims, mm or degrees, by tooth class; empty: ``plan_sd`` of the unit for all.
    """

    rates: tuple[float, float, float, float] = (0.5, 0.5, 0.5, 0.5)
    planned: tuple[float, float, float, float] = (0.2, 0.2, 0.2, 0.2)
    aim_sd: tuple[float, ...] = ()


@dataclass(frozen=True)
class Movement:
    """One kind of tooth movement, and every fact about it that anything in the package needs.

    Attributes
    ----------
    name, unit
        As in the data; "mm" or "degree".
    positive, negative
        What the signs mean, for the codebook.
    positive_direction, negative_direction
        The same, as values of the column direction.
    also
        Other spellings of the name.
    spoken
        The name as it stands in a sentence; the name itself by default.
    positive_in_full, negative_in_full
        The direction so that it cannot be misread: which way the crown goes, and which way the root.
        ``{outerly}`` becomes labially (front teeth) or buccally, ``{innerly}`` palatally (upper) or
        lingually. By default the direction.
    ways
        Words for its directions that are sometimes taken for a movement.
    tolerance, smallest_plan, expected_size, per_aligner
        mm or degrees; by default those of the unit (``LIMITS``).
    invented
        For invented cohorts.

    Raises
    ------
    InputError
        If the unit is not known or a limit is not above 0.
    """

    name: str
    unit: str
    positive: str
    negative: str
    positive_direction: str
    negative_direction: str
    also: tuple[str, ...] = ()
    spoken: str = ""
    positive_in_full: str = ""
    negative_in_full: str = ""
    ways: tuple[str, ...] = ()
    tolerance: float = _OF_UNIT
    smallest_plan: float = _OF_UNIT
    expected_size: float = _OF_UNIT
    per_aligner: float = _OF_UNIT
    invented: Invented = Invented()

    def __post_init__(self) -> None:
        if self.unit not in TOLERANCE:
            raise InputError(f"{self.name}: unit {self.unit!r} is not one of mm, degree.")
        for limit, by_unit in LIMITS.items():
            value = getattr(self, limit)
            if value != value:
                object.__setattr__(self, limit, by_unit[self.unit])
            elif value <= 0:
                raise InputError(f"{self.name}: {limit} must be above 0, not {value}.")

    def direction(self, value: float) -> str:
        """The direction of a signed number as in the column direction; "" for 0."""
        if value == 0 or value != value:
            return ""
        return self.positive_direction if value > 0 else self.negative_direction

    def direction_in_full(self, value: float, tooth_class: str = "", arch: str = "") -> str:
        """The direction of a signed number so that it cannot be misread; "" for 0.

        Examples
        --------
        >>> MOVEMENTS["torque"].direction_in_full(-5, "incisor", "upper")
        'crown palatally, root labially'
        >>> MOVEMENTS["torque"].direction_in_full(5)
        'crown buccally or labially, root lingually or palatally'
        >>> MOVEMENTS["vertical"].direction_in_full(-1)
        'intrusion, crown and root towards the gum'
        """
        if value == 0 or value != value:
            return ""
        words = self.positive_in_full if value > 0 else self.negative_in_full
        outer = {"": ("buccal", "labial"), "incisor": ("labial",), "canine": ("labial",)}
        inner = {"": ("lingual", "palatal"), "upper": ("palatal",), "lower": ("lingual",)}
        sides = {"outer": outer.get(tooth_class, ("buccal",)), "inner": inner[arch]}
        for side, names in sides.items():
            words = words.replace(f"{{{side}ly}}", " or ".join(f"{name}ly" for name in names))
        return words or self.direction(value)


MOVEMENTS: dict[str, Movement] = {
    movement.name: movement
    for movement in (
        Movement(
            "mesiodistal",
            "mm",
            "mesial",
            "distal",
            "mesial",
            "distal",
            ("mesio distal", "mesial distal"),
            spoken="mesiodistal movement",
            positive_in_full="crown and root mesially",
            negative_in_full="crown and root distally",
            ways=("mesial", "distal", "mesialisation", "distalisation"),
            invented=Invented(
                (0.62, 0.58, 0.66, 0.76), (0.25, 0.30, 0.30, 0.20), (0.6, 0.7, 0.8, 0.9)
            ),
        ),
        Movement(
            "buccolingual",
            "mm",
            "buccal or labial",
            "lingual or palatal",
            "buccal",
            "lingual",
            (
                "bucco lingual",
                "buccopalatal",
                "labiolingual",
                "labiopalatal",
                "faciolingual",
                "buccal lingual",
            ),
            spoken="buccolingual movement",
            positive_in_full="crown and root {outerly}",
            negative_in_full="crown and root {innerly}",
            ways=(
                "buccal",
                "lingual",
                "labial",
                "palatal",
                "expansion",
                "constriction",
                "proclination",
                "retroclination",
            ),
            invented=Invented(
                (0.68, 0.62, 0.64, 0.55), (0.35, 0.30, 0.35, 0.15), (0.9, 0.8, 0.9, 0.7)
            ),
        ),
        Movement(
            "vertical",
            "mm",
            "extrusion",
            "intrusion",
            "extrusion",
            "intrusion",
            spoken="vertical movement",
            positive_in_full="extrusion, crown and root away from the gum",
            negative_in_full="intrusion, crown and root towards the gum",
            ways=("intrusion", "extrusion"),
            invented=Invented(
                (0.48, 0.55, 0.52, 0.42), (0.30, 0.25, 0.15, 0.08), (0.6, 0.6, 0.5, 0.4)
            ),
        ),
        Movement(
            "tip",
            "degree",
            "mesial crown tip",
            "distal crown tip",
            "mesial tip",
            "distal tip",
            ("tipping", "angulation", "crown tip", "mesiodistal tip"),
            positive_in_full="crown mesially, root distally",
            negative_in_full="crown distally, root mesially",
            invented=Invented(
                (0.64, 0.55, 0.60, 0.56), (0.25, 0.30, 0.25, 0.12), (4.0, 4.5, 4.0, 3.5)
            ),
        ),
        Movement(
            "torque",
            "degree",
            "buccal or labial crown torque",
            "lingual or palatal crown torque",
            "buccal torque",
            "lingual torque",
            ("inclination", "crown torque", "buccolingual inclination"),
            positive_in_full="crown {outerly}, root {innerly}",
            negative_in_full="crown {innerly}, root {outerly}",
            invented=Invented(
                (0.52, 0.48, 0.50, 0.42), (0.35, 0.20, 0.15, 0.10), (5.0, 4.0, 4.0, 3.5)
            ),
        ),
        Movement(
            "rotation",
            "degree",
            "mesial surface turning buccally or labially",
            "mesial surface turning lingually or palatally",
            "mesial surface outwards",
            "mesial surface inwards",
            ("rot", "rotations"),
            positive_in_full="crown and root turn, mesial side {outerly}",
            negative_in_full="crown and root turn, mesial side {innerly}",
            per_aligner=2.0,
            invented=Invented(
                (0.62, 0.52, 0.46, 0.50), (0.40, 0.40, 0.35, 0.12), (7.0, 9.0, 9.0, 5.0)
            ),
        ),
    )
}

#: Directions have a sign in a movement's plan, so a direction is no movement name.
DIRECTION_WORDS = {word: m.name for m in MOVEMENTS.values() for word in m.ways}

#: Movements that every practice plans both ways, so that signs are missing where all are positive
#: (common practice, no source).
BOTH_WAYS = ("vertical", "rotation")
