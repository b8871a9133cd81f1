"""Invented practices with known truth: how teeth answer to plans, and what breaks the usual model.

Every practice has rates, spreads and habits of its own, drawn anew, so that nothing can be tuned to
one truth. A tooth's result in a course is a function of the plan with its luck fixed beforehand:
all strategies meet the same teeth, the same wear and the same scans.

All numbers here are invented: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = ["CLASSES", "DESIGNS", "KINDS", "Design", "Kind", "People", "Practice"]

CLASSES = ("incisor", "canine", "premolar", "molar")
TEETH = np.array([quadrant * 10 + place for quadrant in (1, 2, 3, 4) for place in range(1, 8)])
CLASS = np.array([0, 0, 1, 2, 2, 3, 3])[TEETH % 10 - 1]
LOWER = (TEETH >= 30).astype(int)
COURSES = 2


@dataclass(frozen=True)
class Kind:
    """A movement: its unit, tolerance, usual aim with its least and most, noise, decimals."""

    movement: str
    unit: str
    tolerance: float
    usual: float
    least: float
    most: float
    process: float
    scan: float
    decimals: int


KINDS = (
    Kind("vertical", "mm", 0.5, 0.9, 0.3, 2.5, 0.18, 0.08, 2),
    Kind("rotation", "degree", 2.0, 8.0, 3.0, 25.0, 1.3, 0.6, 1),
    Kind("torque", "degree", 2.0, 6.0, 3.0, 20.0, 1.3, 0.7, 1),
)


@dataclass(frozen=True)
class Design:
    """One way in which teeth answer to plans.

    Attributes
    ----------
    name, what
        The name, and what is true of it, in a sentence.
    patients
        Distribution of the patients' own rates: normal, skewed (a few wear badly) or two groups.
    tail
        Degrees of freedom of noise and of tooth effects; infinite is normal.
    gross
        Share of results that are recorded grossly wrong.
    bend
        Share of the rate that is lost at the usual size of plan.
    dead
        Part of every plan that is not expressed at all, in usual sizes.
    direction
        SD of the rates between directions of one class; ``poor_extrusion`` sets that of incisors
        (or of their positive direction) to 0.30.
    attachment
        What an attachment adds to the rate; they are given to the teeth that are difficult.
    course, course_tooth
        SD of a patient's and of a tooth's rate between courses; None: small and drawn.
    tiring
        Mean loss of rate from the first to the second course.
    follows
        Plans follow what the clinician expects, and the worst results are not scanned again.
    grows
        Growth of the noise with the plan, per usual size; its size differs between patients.
    spared
        Comes last in a study, with what time is left.
    shift
        SD of an error that all teeth of an arch share in a scan, in tolerances (superimposition).
    """

    name: str
    what: str
    patients: str = "normal"
    tail: float = np.inf
    gross: float = 0.0
    bend: float = 0.0
    dead: float = 0.0
    direction: float = 0.04
    poor_extrusion: bool = False
    attachment: float = 0.0
    course: float | None = None
    course_tooth: float | None = None
    tiring: float = 0.0
    follows: bool = False
    grows: float = 0.0
    shift: float = 0.0
    spared: bool = False


DESIGNS: dict[str, Design] = {
    design.name: design
    for design in (
        Design("normal", "Everything normal, as the model has it; scans share their errors."),
        Design(
            "skewed", "A few patients wear badly: their rates lie far below.", patients="skewed"
        ),
        Design(
            "heavy tails",
            "Noise and teeth with t tails (3 df), 1.5 % of results grossly wrong.",
            tail=3.0,
            gross=0.015,
        ),
        Design("bends", "A third of the rate is lost at plans of twice the usual size.", bend=0.25),
        Design(
            "directions",
            "Rates by class and direction, SD 0.12; incisor extrusion 0.30; few rare ones.",
            direction=0.12,
            poor_extrusion=True,
        ),
        Design(
            "attachments",
            "Attachments add 0.15 and are given to difficult teeth; not told to the engine.",
            attachment=0.15,
        ),
        Design(
            "courses",
            "Rates vary by course (SD 0.15, teeth 0.10) and fall by 0.05 in the second.",
            course=0.15,
            course_tooth=0.10,
            tiring=0.05,
        ),
        Design(
            "two groups",
            "One patient in five wears badly (rate lower by 0.30); noise grows with the plan.",
            patients="two groups",
            grows=0.5,
            spared=True,
        ),
        Design(
            "plans follow",
            "Plans are larger where less is expected; poor results are often not scanned again.",
            follows=True,
            spared=True,
        ),
        Design(
            "dead zone",
            "A tenth of the usual plan is never expressed; teeth of an arch share scan errors.",
            dead=0.10,
            shift=0.25,
            spared=True,
        ),
    )
}


def spread(rng: np.random.Generator, tail: float, size: Any) -> np.ndarray:
    """Numbers of mean 0 and SD 1, with t tails if ``tail`` is finite."""
    if np.isinf(tail):
        return rng.standard_normal(size)
    return rng.standard_t(tail, size) / np.sqrt(tail / (tail - 2))


@dataclass(frozen=True)
class People:
    """Patients and their teeth to be moved; every array has a row for each tooth (n,).

    Attributes
    ----------
    names
        Codes of the patients, by the numbers in ``patient``.
    patient, tooth
        Number of the patient; FDI number.
    aim
        First aim, signed, mm or degrees.
    slopes
        What is added to the rate of the cell, (n, courses).
    attached
        Whether there is an attachment, (n, courses).
    noise
        SD 1, (n, courses); ``noisy`` (n,) is the SD of the patient.
    errors
        What scans 0, 1, 2 add to the position, (n, courses + 1), mm or degrees.
    lost
        Not scanned again, (n, courses).
    """

    names: np.ndarray
    patient: np.ndarray
    tooth: np.ndarray
    aim: np.ndarray
    slopes: np.ndarray
    attached: np.ndarray
    noise: np.ndarray
    noisy: np.ndarray
    errors: np.ndarray
    lost: np.ndarray

    def __len__(self) -> int:
        return len(self.tooth)


@dataclass
class Practice:
    """One practice: its truth drawn once, then as many patients of it as are asked for."""

    design: Design
    kind: Kind
    rng: np.random.Generator
    cells: np.ndarray = field(init=False)
    sds: dict[str, float] = field(init=False)
    asked: int = 0

    def __post_init__(self) -> None:
        rng, design = self.rng, self.design
        by_class = np.array([0.06, -0.02, 0.0, -0.05]) + 0.06 * rng.standard_normal(4)
        cells = rng.uniform(0.45, 0.72) + by_class[:, None, None]
        cells = cells + 0.03 * rng.standard_normal((1, 2, 1))
        cells = cells + 0.04 * rng.standard_normal((1, 1, 2))
        cells = cells + design.direction * rng.standard_normal((4, 1, 2))
        cells = cells + 0.03 * rng.standard_normal((4, 2, 2))
        if design.poor_extrusion:
            cells[0, :, 1] = 0.30 + 0.02 * rng.standard_normal(2)
        # in [class, arch, direction]; some rate is always left
        self.cells = np.clip(cells, 0.12, 0.95)
        given = {"patient": (0.06, 0.18), "tooth": (0.04, 0.14), "course": (0.0, 0.08)}
        self.sds = {name: rng.uniform(*ends) for name, ends in given.items()}
        self.sds["course_tooth"] = rng.uniform(0.0, 0.06)
        for name in ("course", "course_tooth"):
            if getattr(design, name) is not None:
                self.sds[name] = getattr(design, name)
        self.sds["noise"] = self.kind.process * rng.uniform(0.7, 1.4)
        self.sds["scan"] = self.kind.scan * rng.uniform(0.7, 1.4)
        # which direction a class usually takes, so that class and direction are tied
        self.down = np.clip(
            np.array([0.75, 0.6, 0.4, 0.3]) + 0.1 * rng.standard_normal(4), 0.1, 0.9
        )
        self.larger = np.array([1.25, 1.0, 0.85, 0.75]) ** rng.uniform(0, 1.5)
        self.overcorrects = rng.random() < 0.5

    def patient_effects(self, n: int) -> np.ndarray:
        """What the patients' own rates are above the cells', (n,)."""
        rng, sd = self.rng, self.sds["patient"]
        if self.design.patients == "skewed":
            return -sd * (rng.gamma(1.0, size=n) - 1.0) * 1.2
        if self.design.patients == "two groups":
            return np.where(rng.random(n) < 0.2, -0.24, 0.06) + 0.5 * sd * rng.standard_normal(n)
        return sd * rng.standard_normal(n)

    def people(self, n: int) -> People:
        """``n`` further patients with 6 to 14 teeth each."""
        rng, design, kind = self.rng, self.design, self.kind
        # a patient's own teeth: chance by class and arch, the need of the bite
        lean = rng.dirichlet([1.2, 0.8, 1.0, 0.8], n) + 0.06
        arch = rng.uniform(0.15, 0.85, n)
        weight = lean[:, CLASS] * np.where(LOWER, arch[:, None], 1 - arch[:, None])
        order = np.argsort(-(np.log(weight) + rng.gumbel(size=weight.shape)), axis=1)
        many = rng.integers(6, 15, n)
        chosen = order.argsort(axis=1) < many[:, None]
        patient, at = np.nonzero(chosen)
        m = len(at)
        down = np.clip(self.down[CLASS[at]] + rng.normal(0, 0.25, n)[patient], 0.03, 0.97)
        sign = np.where(rng.random(m) < down, -1.0, 1.0)
        patient_effect = self.patient_effects(n)
        tooth_effect = self.sds["tooth"] * spread(rng, design.tail, m)
        size = kind.usual * np.exp(0.55 * rng.standard_normal(m)) * self.larger[CLASS[at]]
        cell = self.cells[CLASS[at], LOWER[at], (sign > 0).astype(int)]
        difficult = 0.55 - cell - tooth_effect
        attached = np.zeros((m, COURSES), bool)
        if design.attachment:
            # what the clinician sees of the difficulty, and large plans, decide
            seen = (difficult + 0.05 * rng.standard_normal(m)) / 0.08
            seen = seen + np.log(size / kind.usual)
            attached[:, 0] = rng.random(m) < 1 / (1 + np.exp(-seen))
            attached[:, 1] = attached[:, 0] | (rng.random(m) < 0.4)
        by_course = self.sds["course"] * rng.standard_normal((n, COURSES))
        slopes = (patient_effect[:, None] + by_course)[patient] + tooth_effect[:, None]
        slopes = slopes + self.sds["course_tooth"] * rng.standard_normal((m, COURSES))
        slopes = slopes + design.attachment * (attached - 0.5 * bool(design.attachment))
        slopes[:, 1] -= design.tiring
        noisy = self.sds["noise"] * np.ones(n)
        if design.grows:
            noisy = noisy * np.exp(0.4 * rng.standard_normal(n) - 0.08)
        errors = self.sds["scan"] * rng.standard_normal((m, COURSES + 1))
        if design.shift:
            shared = design.shift * kind.tolerance * rng.standard_normal((n, 2, COURSES + 1))
            errors = errors + shared[patient, LOWER[at]]
        if design.gross:
            wrong = rng.random((m, COURSES + 1)) < design.gross
            far = rng.choice([-1, 1], (m, COURSES + 1)) * rng.uniform(1, 3, (m, COURSES + 1))
            errors = errors + wrong * far * kind.usual
        lost = rng.random((m, COURSES)) < 0.04
        lost |= (rng.random((n, COURSES)) < [0.0, 0.08])[patient]
        if design.follows:
            poor = 1 / (1 + np.exp((cell[:, None] + slopes - 0.35) / 0.08))
            lost |= rng.random((m, COURSES)) < 0.4 * poor
        self.asked += n
        names = np.array([f"P{self.asked - n + k + 1:03d}" for k in range(n)])
        aim = np.round(sign * np.clip(size, kind.least, kind.most), kind.decimals)
        noise = spread(rng, design.tail, (m, COURSES))
        return People(
            names, patient, TEETH[at], aim, slopes, attached, noise, noisy[patient], errors, lost
        )

    def moved(self, people: People, course: int, planned: np.ndarray) -> np.ndarray:
        """What the scan after ``course`` (1, 2) says these plans came to, (n,), signed; with luck."""
        kind, design = self.kind, self.design
        c = course - 1
        up = (planned > 0).astype(int)
        places = people.tooth % 10 - 1
        cell = self.cells[np.array([0, 0, 1, 2, 2, 3, 3])[places], (people.tooth >= 30) * 1, up]
        size = np.abs(planned) / kind.usual
        told = np.maximum(size - design.dead, 0.0)
        told = told / (1 + design.bend * told)
        true = np.sign(planned) * kind.usual * told * (cell + people.slopes[:, c])
        noise = people.noisy * people.noise[:, c] * np.sqrt(1 + (design.grows * size) ** 2)
        read = people.errors[:, c + 1] - people.errors[:, c]
        return np.round(true + noise + read, kind.decimals)

    def habit(self, people: People, course: int, left: np.ndarray) -> np.ndarray:
        """What this practice plans where ``left`` is left: as aimed, or more of it."""
        rng, kind = self.rng, self.kind
        n = len(people.names)
        more = np.ones(n)
        if course > 1:
            more = rng.uniform(1.0, 1.6, n)
        elif self.overcorrects:
            more = rng.uniform(1.0, 1.5, n)
        planned = left * more[people.patient]
        if self.design.follows:
            up = (left > 0).astype(int)
            places = np.array([0, 0, 1, 2, 2, 3, 3])[people.tooth % 10 - 1]
            cell = self.cells[places, (people.tooth >= 30) * 1, up]
            felt = (
                cell + 0.5 * (people.slopes[:, course - 1]) + 0.05 * rng.standard_normal(len(left))
            )
            planned = planned * np.clip(0.6 / np.maximum(felt, 0.2), 0.8, 2.0)
        return np.round(planned, kind.decimals)
