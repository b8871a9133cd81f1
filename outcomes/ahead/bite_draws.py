"""What a plan of teeth may do to the overbite: draws of each part, and of all together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.ahead.bite_lever import Lever
from outcomes.ahead.bite_options import GROUPS, INCISORS, MOLARS
from outcomes.clinical.bite import bite_change
from outcomes.clinical.bite_parts import TEETH
from outcomes.domain.limits import FEW_PATIENTS, beyond_tolerance, within_tolerance
from outcomes.predictive.expect import Expectation

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["Landed", "Spread", "kept_groups", "landed", "unexplained_spread"]


@dataclass(frozen=True)
class Spread:
    """Standard draws of what does not depend on the plan, (size,) each.

    Attributes
    ----------
    kept
        Group -> mean vertical movement of its teeth where they are to be kept, mm.
    lever
        The lever as a share of the one assumed.
    rest
        Change of overbite that the teeth do not explain, mm.
    """

    kept: Mapping[str, np.ndarray]
    lever: np.ndarray
    rest: np.ndarray

    @classmethod
    def of(
        cls, kept: pd.DataFrame, lever: Lever, rest: float, df: float, *, size: int, seed: int
    ) -> Spread:
        """``kept`` as of ``kept_groups``; ``rest`` is the SD of what is not explained, 0 for none."""
        rng = np.random.default_rng([seed, 1])  # not the stream of the teeth
        held: dict[str, np.ndarray] = {}
        row: Any
        for row in kept.itertuples():
            t = rng.standard_t(max(row.patients - 1, 1), size)
            sd = row.sd * np.sqrt(1 + 1 / max(row.patients, 1))
            held[str(row.group)] = row.mean + sd * t if row.known else np.zeros(size)
        of_lever = lever.draws(rng, size)
        of_rest = rng.standard_t(df, size) if np.isfinite(df) else rng.standard_normal(size)
        return cls(held, of_lever, rest * of_rest)


@dataclass(frozen=True)
class Landed:
    """Draws of the overbite after the course, and of its parts, mm; (size,) each.

    Attributes
    ----------
    now
        Overbite before the course.
    moved
        Mean vertical movement of each group, extrusion positive.
    intrusion
        Of the molars, both arches added.
    behind
        Change of overbite by that at the lever assumed.
    share
        Levers, as shares of the one assumed.
    rest
        Change of overbite that teeth do not explain.
    """

    now: float
    moved: Mapping[str, np.ndarray]
    intrusion: np.ndarray
    behind: np.ndarray
    share: np.ndarray
    rest: np.ndarray

    @property
    def from_posterior(self) -> np.ndarray:
        """Change of overbite by the molars."""
        return self.share * self.behind

    @property
    def overbite(self) -> np.ndarray:
        """After the course."""
        front = sum(self.moved[name] for name in INCISORS)
        return np.asarray(self.now + front + self.from_posterior + self.rest)

    def with_lever(self, share: float) -> Landed:
        """The same at one lever."""
        return replace(self, share=np.full(len(self.rest), share))

    def chances(self, wanted: float, tolerance: float) -> tuple[float, float, float]:
        """Chances of an overbite within the tolerance of that wanted, short of it, beyond it."""
        past = np.sign(wanted - self.now) * (self.overbite - wanted)
        within = float(within_tolerance(past, tolerance).mean())
        beyond = float(beyond_tolerance(past, tolerance).mean())
        return within, max(1 - within - beyond, 0.0), beyond

    def range(self, level: float) -> tuple[float, float]:
        """Range of the overbite."""
        low, high = np.quantile(self.overbite, [0.5 - level / 2, 0.5 + level / 2])
        return float(low), float(high)


def landed(
    rows: pd.DataFrame,
    now: float,
    lever: Lever,
    spread: Spread,
    expectation: Expectation,
    *,
    patient: str | None,
    seed: int,
) -> Landed:
    """The overbite that plans may bring: ``rows`` have group, tooth and planned (signed, mm)."""
    size = len(spread.lever)
    drawn = expectation.joint(rows[["tooth", "planned"]], patient=patient, size=size, seed=seed)
    group = rows["group"].to_numpy(object)
    moved = {
        name: drawn[:, group == name].mean(axis=1) if (group == name).any() else spread.kept[name]
        for name in GROUPS
    }
    intrusion = np.asarray(0.0 - sum(moved[name] for name in MOLARS))
    return Landed(now, moved, intrusion, lever.overbite(intrusion), spread.lever, spread.rest)


def kept_groups(cohort: Cohort, patient: str | None) -> pd.DataFrame:
    """How far the teeth of each group went where they were to stay, in other patients.

    Returns
    -------
    DataFrame
        group, patients, courses, mean, sd (mm, extrusion positive; of means over the group's teeth
        in a course), known (from 5 patients on).
    """
    rows = cohort.movements
    rows = rows[(rows["movement"] == "vertical") & (rows["planned"] == 0)]
    rows = rows[rows["achieved"].notna() & (rows["patient"].astype(str) != str(patient))]
    found = []
    for name in GROUPS:
        part = rows[rows["tooth"].isin(TEETH[name])]
        means = part.groupby(["patient", "course"])["achieved"].mean()
        patients = int(part["patient"].nunique())
        known = patients >= FEW_PATIENTS
        mean, sd = (float(means.mean()), float(means.std())) if known else (np.nan, np.nan)
        found.append((name, patients, len(means), mean, sd, known))
    return pd.DataFrame(found, columns=["group", "patients", "courses", "mean", "sd", "known"])


def unexplained_spread(
    cohort: Cohort,
    patient: str | None,
    cephalometry: pd.DataFrame | None,
    lever: float,
    ends: tuple[float, float],
) -> tuple[float, int]:
    """Root mean square of what teeth do not explain of a change of overbite, mm, and in how many
    other patients it is known; missing where these are fewer than 5."""
    past = bite_change(cohort, cephalometry, lever=lever, lever_range=ends).patients
    left = past.loc[past["patient"].astype(str) != str(patient), "unexplained"].dropna()
    if len(left) < FEW_PATIENTS:
        return float("nan"), len(left)
    return float(np.sqrt((left**2).mean())), len(left)
