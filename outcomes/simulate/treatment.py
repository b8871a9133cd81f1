"""What is planned and what is achieved, course after course, by the rate model."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.domain.movements import TOOTH_CLASSES
from outcomes.simulate import scenario
from outcomes.simulate.noise import residuals, standard_effects
from outcomes.simulate.scenario import DECIMALS, NAMES, TEETH, TOOTH_CLASS, by_index

SHARED_BETWEEN_MOVEMENTS = 0.5
"""Correlation of a patient's effects between movements: cooperation works on all of them."""


@dataclass(frozen=True)
class Design:
    rates: dict[str, dict[str, float]]
    patient_sd: dict[str, float]
    tooth_sd: dict[str, float]
    residual_sd: dict[str, float]
    repeat_sd: dict[str, float]
    attachment_effect: dict[str, float]
    movements: tuple[str, ...]
    heteroscedastic: float
    outliers: float
    skew: float
    site_sd: float


@dataclass(frozen=True)
class Effects:
    cooperation: np.ndarray  # patient: what the movements share, SD 1
    patient: np.ndarray  # patient x movement, added to the rate
    tooth: np.ndarray  # patient x tooth x movement
    site: np.ndarray  # site
    of_patient_site: np.ndarray  # patient: the effect of their site


def draw_effects(
    rng: np.random.Generator, design: Design, people: pd.DataFrame, sites: tuple[str, ...]
) -> Effects:
    n, k = len(people), len(NAMES)
    # A sum of two independent parts keeps the SD but halves the skewness; with skew, the patient
    # effects are therefore drawn apart for each movement.
    shared = SHARED_BETWEEN_MOVEMENTS if abs(design.skew) < 1e-3 else 0.0
    cooperation = rng.standard_normal(n)
    own = standard_effects(rng, (n, k), design.skew)
    scaled = np.sqrt(shared) * cooperation[:, None] + np.sqrt(1 - shared) * own
    site = design.site_sd * rng.standard_normal(len(sites))
    return Effects(
        cooperation=cooperation,
        patient=scaled * by_index(design.patient_sd),
        tooth=rng.standard_normal((n, TEETH.size, k)) * by_index(design.tooth_sd),
        site=site,
        of_patient_site=site[people["site"].map(sites.index).to_numpy()],
    )


def all_courses(
    rng: np.random.Generator,
    design: Design,
    people: pd.DataFrame,
    effects: Effects,
    courses: int,
    overcorrect: bool,
    drop_out: float,
    unplanned: bool,
) -> pd.DataFrame:
    """Rows of every course, with the working columns p, t, m (indices), error and slope parts."""
    aims = _first_aims(rng, design, people)
    attachment = _attachments(rng, len(people))
    going = np.ones(len(people), dtype=bool)
    parts = []
    for course in range(1, courses + 1):
        factor = np.ones(len(NAMES))
        if overcorrect and course > 1:
            factor = by_index(scenario.OVERCORRECTION)
        rows = _plan(aims, factor, going)
        if unplanned:
            rows = pd.concat([rows, _unplanned_rows(rng, design, rows, going)], ignore_index=True)
        rows["course"] = course
        rows = _achieve(rng, design, effects, attachment, rows)
        left = going & (rng.random(len(people)) < drop_out)
        rows["measured"] = ~left[rows["p"].to_numpy()]
        parts.append(rows)
        aims = _what_is_left(rows, aims.shape)
        worth = np.isfinite(aims).sum(axis=(1, 2))
        goes_on = rng.random(len(people)) < (0.9 if course == 1 else 0.65)
        going = going & ~left & (worth >= 4) & goes_on
        if not going.any():
            break
    rows = pd.concat(parts, ignore_index=True)
    return _named(rows, people).sort_values(["p", "course", "t", "m"], ignore_index=True)


def _first_aims(rng: np.random.Generator, design: Design, people: pd.DataFrame) -> np.ndarray:
    """Patient x tooth x movement: the aim (mm or degree), NaN where none."""
    shape = (len(people), TEETH.size, len(NAMES))
    share, mean, sd = (np.zeros(shape) for _ in range(3))
    for m, movement in enumerate(NAMES):
        for c, tooth_class in enumerate(TOOTH_CLASSES):
            teeth = scenario.teeth_of("both", tooth_class)
            share[:, teeth, m], sd[:, teeth, m] = scenario.BASE_PLAN[movement][c]
    for name, patterns in scenario.MALOCCLUSIONS.items():
        who = (people["malocclusion"] == name).to_numpy()
        for movement, arch, tooth_class, *numbers in patterns:
            m = NAMES.index(movement)
            teeth = scenario.teeth_of(arch, tooth_class)
            cells = np.ix_(who, teeth, np.array([m]))
            share[cells], mean[cells], sd[cells] = numbers
    aims = rng.normal(mean, sd)
    decimals = by_index(DECIMALS)
    least = by_index(scenario.SMALLEST_AIM)
    used = np.array([m in design.movements for m in NAMES])
    planned = (rng.random(shape) < share) & (np.abs(aims) >= least) & used
    return np.where(planned, rounded(aims, decimals), np.nan)


def _attachments(rng: np.random.Generator, patients: int) -> np.ndarray:
    """Patient x tooth: index into ATTACHMENTS, or -1 for none; the same in every course."""
    share = np.array([scenario.ATTACHMENT_SHARE[c] for c in TOOTH_CLASSES])[TOOTH_CLASS]
    kind = rng.integers(len(scenario.ATTACHMENTS), size=(patients, TEETH.size))
    return np.where(rng.random((patients, TEETH.size)) < share, kind, -1)


def _plan(aims: np.ndarray, factor: np.ndarray, going: np.ndarray) -> pd.DataFrame:
    p, t, m = np.nonzero(np.isfinite(aims) & going[:, None, None])
    decimals = by_index(DECIMALS)
    aim = aims[p, t, m]
    return pd.DataFrame(
        {"p": p, "t": t, "m": m, "aim": aim, "planned": rounded(aim * factor[m], decimals[m])}
    )


def _unplanned_rows(
    rng: np.random.Generator, design: Design, planned: pd.DataFrame, going: np.ndarray
) -> pd.DataFrame:
    """A few of the tooth movements that the course did not plan, planned and aim 0."""
    free = np.zeros((going.size, TEETH.size, len(NAMES)), dtype=bool)
    free[going] = True
    free[planned["p"], planned["t"], planned["m"]] = False
    free[:, :, [m not in design.movements for m in NAMES]] = False
    chance = np.where(_side_effects() != 0, 0.15, 0.02)
    p, t, m = np.nonzero(free & (rng.random(free.shape) < chance))
    return pd.DataFrame({"p": p, "t": t, "m": m, "aim": 0.0, "planned": 0.0})


def _side_effects() -> np.ndarray:
    """Tooth x movement: mean achieved where nothing was planned."""
    drift = np.zeros((TEETH.size, len(NAMES)))
    for (movement, arch, tooth_class), mean in scenario.SIDE_EFFECTS.items():
        teeth = scenario.teeth_of(arch, tooth_class)
        drift[teeth, NAMES.index(movement)] = mean
    return drift


def _achieve(
    rng: np.random.Generator,
    design: Design,
    effects: Effects,
    attachment: np.ndarray,
    rows: pd.DataFrame,
) -> pd.DataFrame:
    """Add achieved, the row's true mean rate, and the error of the reading that gave achieved."""
    p, t, m = (rows[name].to_numpy() for name in ("p", "t", "m"))
    beta = np.array([[design.rates[name][c] for c in TOOTH_CLASSES] for name in NAMES])
    gain = by_index(design.attachment_effect)
    residual_sd = by_index(design.residual_sd)[m]
    repeat_sd = reading_error(design)[m]
    usual = by_index(scenario.PLAN_SD)[m]
    planned = rows["planned"].to_numpy()

    rate = beta[m, TOOTH_CLASS[t]] + gain[m] * (attachment[p, t] >= 0)
    slope = rate + effects.of_patient_site[p] + effects.patient[p, m] + effects.tooth[p, t, m]
    error = rng.normal(0.0, 1.0, planned.size) * repeat_sd
    spread = np.sqrt(residual_sd**2 - repeat_sd**2)
    real = slope * planned + residuals(
        rng, spread, np.abs(planned) / usual, design.heteroscedastic, design.outliers
    )
    real += np.where(planned == 0, _side_effects()[t, m], 0.0)
    decimals = by_index(DECIMALS)[m]
    kinds = np.array([*scenario.ATTACHMENTS, "none"])
    return rows.assign(
        real=real,
        achieved=rounded(real + error, decimals),
        rate=rate,
        tooth_effect=effects.tooth[p, t, m],
        attachment=kinds[attachment[p, t]],
    )


def reading_error(design: Design) -> np.ndarray:
    """By movement: the reading's error cannot be larger than the residual it is part of."""
    return np.minimum(by_index(design.repeat_sd), by_index(design.residual_sd))


def _what_is_left(rows: pd.DataFrame, shape: tuple[int, ...]) -> np.ndarray:
    """The next course's aims: the measured shortfall where it is worth going on."""
    known = rows[rows["measured"] & (rows["planned"] != 0)]
    p, t, m = (known[name].to_numpy() for name in ("p", "t", "m"))
    decimals = by_index(DECIMALS)[m]
    worth = by_index(scenario.WORTH_CONTINUING)[m]
    left = rounded((known["aim"] - known["achieved"]).to_numpy(), decimals)
    aims = np.full(shape, np.nan)
    aims[p, t, m] = np.where(np.abs(left) >= worth, left, np.nan)
    return aims


def _named(rows: pd.DataFrame, people: pd.DataFrame) -> pd.DataFrame:
    """Add the columns a reader knows: patient, tooth, movement, auxiliary."""
    movement = np.array(NAMES)[rows["m"]]
    tooth = TEETH[rows["t"]]
    distal = (movement == "mesiodistal") & (rows["planned"] <= -1.0) & (TOOTH_CLASS[rows["t"]] == 3)
    posterior = (movement == "vertical") & (rows["planned"] <= -0.5) & (TOOTH_CLASS[rows["t"]] == 3)
    auxiliary = np.select([distal, posterior], ["elastics", "bite block"], default="none")
    return rows.assign(
        patient=people["patient"].to_numpy()[rows["p"]],
        tooth=tooth,
        movement=movement,
        auxiliary=auxiliary,
    )


def rounded(values: np.ndarray, decimals: np.ndarray) -> np.ndarray:
    """Round to each value's own number of decimals; adding 0 turns −0 into 0."""
    scale = 10.0**decimals
    return np.rint(values * scale) / scale + 0.0
