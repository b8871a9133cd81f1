"""From a cohort to the arrays of a rate model: groups, covariates, codes, and what was left out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain import teeth
from outcomes.domain.limit_in_force import unit_of
from outcomes.domain.movements import TOOTH_CLASSES
from outcomes.errors import CannotAnswer, ExactFit, ModelError, NoOptimum, require_columns
from outcomes.mixed.blocks import Array, Blocks, LevelColumns, cross_products
from outcomes.words.english import counted

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

FITTED, NOT_ASKED, NOT_IDENTIFIED = "fitted", "not asked", "not identified"
"""What becomes of the tooth level of a fit."""


_IN_CLINICAL_WORDS = {
    ExactFit: "The response is an exact multiple of the plan in every row, so there is no variation "
    "to model. Check that achieved was not copied or computed from planned.",
    NoOptimum: "The rows are too few, or too much alike, to tell the variation between patients from "
    "the rest. Use fewer groups or covariates, or add cases.",
}


def rate_error(error: ModelError, movement: str | None = None) -> CannotAnswer:
    """What a mixed model could not fit, in the words of planned and achieved movements."""
    where = f"{movement}: " if movement else ""
    return CannotAnswer(f"{where}{_IN_CLINICAL_WORDS.get(type(error), error)}")


@dataclass(frozen=True)
class Design:
    """Rows and columns of one rate model; n rows, p coefficients of which the first are groups.

    ``columns`` (n, p) holds planned times each group's indicator, then planned times each
    covariate, then the intercept. ``varies_by`` are factors by which a patient's rate varies, with
    their levels and the code (n,) of each row. ``patient`` and ``site_row`` are codes of ``patient_labels`` and
    ``site_labels``, both in the order of the blocks.
    """

    movement: str | None
    unit: str | None
    group: tuple[str, ...]
    groups: tuple[str, ...]
    names: tuple[str, ...]
    columns: LevelColumns
    planned: Array
    achieved: Array
    aim: Array  # what the clinician wanted; planned where nothing was said
    patient: np.ndarray
    tooth: np.ndarray
    tooth_code: np.ndarray
    group_code: np.ndarray
    patient_labels: np.ndarray
    site_labels: pd.DataFrame
    site_row: np.ndarray
    counts: pd.DataFrame
    index: pd.Index
    notes: tuple[str, ...]
    covariate_levels: dict[str, tuple[str, ...]]
    covariate_centres: dict[str, float]
    covariates: tuple[str, ...]
    varies_by: tuple[str, ...] = ()
    varying_levels: tuple[tuple[str, ...], ...] = ()
    varying_codes: tuple[np.ndarray, ...] = ()

    @property
    def variances(self) -> tuple[int, ...]:
        """(q,) number of the variance of each patient effect: 0 for the patient, then one for each
        factor of ``varies_by``, shared by its levels."""
        shared = [[k + 1] * len(levels) for k, levels in enumerate(self.varying_levels)]
        return (0, *(number for numbers in shared for number in numbers))

    @property
    def effect_positions(self) -> np.ndarray:
        """(n, 1 + factors) the effects of a patient that a row has, as positions among the q."""
        starts = np.cumsum([1, *(len(levels) for levels in self.varying_levels)])
        columns = [np.zeros(len(self.planned), dtype=np.int64)]
        columns += [s + c for s, c in zip(starts, self.varying_codes, strict=False)]
        return np.stack(columns, axis=1)

    def rate_deviation(self, effects: Array) -> Array:
        """What the effects of its patient (P, q) add to the rate of each row, (n,)."""
        return np.asarray(effects[self.patient[:, None], self.effect_positions].sum(axis=1))

    @property
    def effect_columns(self) -> Array:
        """(n, q): planned, in each column that holds an effect of the row."""
        z = np.zeros((len(self.planned), len(self.variances)))
        np.put_along_axis(z, self.effect_positions, self.planned[:, None], axis=1)
        return z

    @property
    def x(self) -> Array:
        """The columns as one array (n, p)."""
        return self.columns[slice(None)]

    def blocks(self, *, site: bool = True) -> Blocks:
        """The cross-products of this design."""
        return cross_products(
            self.columns,
            self.achieved,
            self.effect_columns,
            self.patient,
            inner=self.tooth_code if site else None,
            inner_z=self.planned if site else None,
            names=self.names,
            variances=self.variances,
        )


def rate_design(
    cohort: Cohort | pd.DataFrame,
    movement: str | None,
    *,
    group: str | Sequence[str] | None,
    covariates: str | Sequence[str],
    intercept: bool,
    varies_by: str | Sequence[str] = (),
) -> Design:
    """Choose the rows, code the groups and covariates. See ``rates.fit_rate``."""
    group_columns = as_columns(group)
    covariate_columns = as_columns(covariates)
    varying = tuple(dict.fromkeys(as_columns(varies_by)))
    frame, movement = one_movement(cohort, movement)
    frame = with_derived(frame, (*group_columns, *covariate_columns, *varying))
    rows, notes = _usable_rows(frame, (*group_columns, *covariate_columns, *varying))

    planned = rows["planned"].to_numpy(float)
    patient, patient_labels = _codes(rows["patient"])
    if len(patient_labels) < 2:
        raise CannotAnswer(
            "One patient only: nothing can be said about other patients. Describe it with "
            "achievement(), or add patients."
        )
    tooth_code, tooth_labels = _codes(rows["tooth"])
    group_code, groups = _group_codes(rows, group_columns)
    extra: list[Array] = []
    names = list(groups)
    levels: dict[str, tuple[str, ...]] = {}
    centres: dict[str, float] = {}
    for name in covariate_columns:
        if _is_number(rows[name]):
            values = rows[name].to_numpy(float)
            if not set(np.unique(values)) <= {0.0, 1.0}:
                centres[name] = float(np.mean(pd.Series(values).groupby(patient).mean()))
                values = values - centres[name]
                notes.append(f"Rates are given at {name} = {centres[name]:.3g}, its mean.")
            else:
                notes.append(f"Rates are given at {name} = 0.")
            extra.append(planned * values)
            names.append(name)
        else:
            levels[name] = _levels(name, rows[name])
            notes.append(f"Rates are given at {name} = {levels[name][0]}.")
            text = rows[name].astype(str).to_numpy()
            for level in levels[name][1:]:
                extra.append(np.where(text == level, planned, 0.0))
                names.append(f"{name}: {level}")
    if intercept:
        extra.append(np.ones(len(rows)))
        names.append("intercept")

    varying_levels, varying_codes = [], []
    for name in varying:
        within_codes, within_levels = _group_codes(rows, (name,))
        seen, _ = _pairs(patient, within_codes, len(patient_labels), len(within_levels))
        if np.bincount(seen // len(within_levels)).max() < 2:
            raise CannotAnswer(
                f"varies_by: no patient has rows of more than one {name}, so that variation of the "
                f"rate by {name} cannot be told from that between patients. Leave {name} out."
            )
        varying_levels.append(within_levels)
        varying_codes.append(within_codes)

    site_keys, site_row = _pairs(patient, tooth_code, len(patient_labels), len(tooth_labels))
    site_labels = pd.DataFrame(
        {
            "patient": np.asarray(patient_labels)[site_keys // len(tooth_labels)],
            "tooth": np.asarray(tooth_labels)[site_keys % len(tooth_labels)],
        }
    )
    seen, _ = _pairs(patient, group_code, len(patient_labels), len(groups))
    return Design(
        movement=movement,
        unit=_unit(rows, movement),
        group=group_columns,
        groups=groups,
        names=tuple(names),
        columns=LevelColumns(
            planned,
            group_code,
            len(groups),
            np.stack(extra, axis=1) if extra else np.empty((len(planned), 0)),
        ),
        planned=planned,
        achieved=rows["achieved"].to_numpy(float),
        aim=_aims(rows),
        patient=patient,
        tooth=rows["tooth"].to_numpy(),
        tooth_code=tooth_code,
        group_code=group_code,
        patient_labels=np.asarray(patient_labels),
        site_labels=site_labels,
        site_row=site_row,
        counts=pd.DataFrame(
            {
                "group": list(groups),
                "patients": np.bincount(seen % len(groups), minlength=len(groups)),
                "movements": np.bincount(group_code, minlength=len(groups)),
            }
        ),
        index=rows.index,
        notes=tuple(notes),
        covariate_levels=levels,
        covariate_centres=centres,
        covariates=covariate_columns,
        varies_by=varying,
        varying_levels=tuple(varying_levels),
        varying_codes=tuple(varying_codes),
    )


def frame_of(cohort: Cohort | pd.DataFrame, *, unmeasured: bool = False) -> pd.DataFrame:
    """The rows of a cohort or a frame that has the columns of a rate.

    ``unmeasured`` asks a cohort for movements without a result too.
    """
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame(unmeasured=unmeasured)
    require_columns(frame, ("patient", "tooth", "planned", "achieved"))
    return frame


def one_movement(
    cohort: Cohort | pd.DataFrame, movement: str | None
) -> tuple[pd.DataFrame, str | None]:
    """The rows of one movement, and its name if known."""
    frame = frame_of(cohort)
    if "movement" not in frame.columns:
        return frame, movement
    present = [str(m) for m in frame["movement"].unique() if pd.notna(m)]
    if movement is None:
        if len(present) > 1:
            raise CannotAnswer(
                f"Several movements ({', '.join(present)}): name one with movement=, or use "
                "fit_rates for all. Millimetres and degrees have no common rate."
            )
        return frame, present[0] if present else None
    if movement not in present:
        raise CannotAnswer(
            f"No rows of movement {movement!r}. The data hold: {', '.join(present) or 'none'}."
        )
    return (frame if len(present) == 1 else frame[frame["movement"] == movement]), movement


def with_derived(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Add tooth_class, arch, side, direction and plan_size (|planned|) where asked for and absent."""
    absent = [c for c in columns if c not in frame.columns]
    if not absent:
        return frame
    derived: dict[str, Any] = {}
    for name in absent:
        if name in ("tooth_class", "arch", "side"):
            function = getattr(teeth, name)
            try:
                named = {t: function(int(t)) for t in frame["tooth"].dropna().unique()}
            except ValueError as error:
                raise CannotAnswer(f"{name} needs FDI tooth numbers: {error}") from error
            derived[name] = frame["tooth"].map(named)
        elif name == "direction":
            derived[name] = np.where(frame["planned"] < 0, "negative", "positive")
        elif name == "plan_size":
            derived[name] = frame["planned"].abs()
        else:
            require_columns(frame, [name])
    return frame.assign(**derived)


def group_labels(rows: pd.DataFrame, columns: Sequence[str]) -> pd.Series:
    """The name of the group of each row, as a fit writes it."""
    if not columns:
        return pd.Series("all", index=rows.index, dtype=object)
    return rows[list(columns)].astype(str).agg(" ".join, axis=1)


def _usable_rows(frame: pd.DataFrame, columns: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """Rows with a planned movement and nothing missing; and sentences on the rest."""
    notes = []
    needed = list(dict.fromkeys(["patient", "tooth", "planned", "achieved", *columns]))
    bad = np.zeros(len(frame), dtype=bool)
    blank = []
    for name in needed:
        missing = frame[name].isna().to_numpy()
        if missing.any():
            blank.append(name)
            bad |= missing
    for name in ("planned", "achieved"):
        numbers = pd.to_numeric(frame[name], errors="coerce").to_numpy(float, na_value=np.nan)
        bad |= ~np.isfinite(numbers)
    if bad.any():
        what = f" (blank: {', '.join(blank)})" if blank else ""
        notes.append(f"{counted(int(bad.sum()), 'row')} left out for want of a value{what}.")
    zero = (frame["planned"] == 0).to_numpy(dtype=bool, na_value=False) & ~bad
    if zero.any():
        notes.append(
            f"{counted(int(zero.sum()), 'row')} with planned = 0 left out: unplanned movements have "
            "no rate."
        )
    rows = frame[~(bad | zero)] if (bad | zero).any() else frame
    if not len(rows):
        raise CannotAnswer(
            "No row is left with a planned movement and all values. "
            + (" ".join(notes) or "The table is empty.")
            + " Fill the blanks, or choose fewer groups and covariates."
        )
    return rows, notes


def _aims(rows: pd.DataFrame) -> Array:
    planned = rows["planned"].to_numpy(float)
    if "aim" not in rows.columns:
        return planned
    aim = pd.to_numeric(rows["aim"], errors="coerce").to_numpy(float, na_value=np.nan)
    return np.where(np.isfinite(aim), aim, planned)


def _group_codes(
    rows: pd.DataFrame, columns: tuple[str, ...]
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Codes and names of the groups, in the order of the schema or of a categorical."""
    if not columns:
        return np.zeros(len(rows), dtype=np.int32), ("all",)
    levels = [_order(name, rows[name]) for name in columns]
    shape = tuple(len(names) for names in levels)
    positions = []
    for name, names in zip(columns, levels, strict=True):
        raw, labels = _codes(rows[name])
        positions.append(pd.Index(names).get_indexer(pd.Index([str(v) for v in labels]))[raw])
    present, code = _occurring(np.ravel_multi_index(positions, shape), math.prod(shape))
    places = zip(*np.unravel_index(present, shape), strict=True)
    return code, tuple(
        " ".join(names[i] for names, i in zip(levels, place, strict=True)) for place in places
    )


def _codes(values: pd.Series) -> tuple[np.ndarray, Any]:
    """Codes of the values, in order of appearance, and the values."""
    codes, labels = pd.factorize(values)
    return codes.astype(np.int32), labels


def _pairs(a: np.ndarray, b: np.ndarray, n_a: int, n_b: int) -> tuple[np.ndarray, np.ndarray]:
    """Keys a * n_b + b that occur, sorted, and the position of each row's key among them."""
    return _occurring(a.astype(np.int64) * n_b + b, n_a * n_b)


def _occurring(key: np.ndarray, possible: int) -> tuple[np.ndarray, np.ndarray]:
    """Keys below ``possible`` that occur, sorted, and the position of each row's key among them."""
    if possible > 4 * len(key) + 1000:
        keys, position = np.unique(key, return_inverse=True)
        return keys, position.astype(np.int32)
    occurs = np.zeros(possible, dtype=bool)
    occurs[key] = True
    place = np.cumsum(occurs, dtype=np.int32) - 1
    return np.flatnonzero(occurs), place[key]


def _order(name: str, values: pd.Series) -> list[str]:
    if isinstance(values.dtype, pd.CategoricalDtype):
        used = set(np.unique(values.cat.codes))
        return _texts(v for code, v in enumerate(values.cat.categories) if code in used)
    unique = values.unique()
    known = {"tooth_class": list(TOOTH_CLASSES), "arch": ["upper", "lower"]}.get(name, [])
    first = [v for v in known if v in set(unique)]
    rest = sorted((v for v in unique if v not in first), key=lambda v: (isinstance(v, str), v))
    return _texts([*first, *rest])


def _texts(values: Iterable[Any]) -> list[str]:
    """Each level once, as text: the number 1 and the text "1" are one level."""
    return list(dict.fromkeys(str(v) for v in values))


def _levels(name: str, values: pd.Series) -> tuple[str, ...]:
    """Levels of a text covariate, the reference first."""
    levels = _order(name, values)
    if isinstance(values.dtype, pd.CategoricalDtype):
        return tuple(levels)
    text = values.astype(str)
    reference = "none" if "none" in levels else str(text.value_counts().sort_index().idxmax())
    return (reference, *(v for v in levels if v != reference))


def _is_number(values: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(values) or pd.api.types.is_bool_dtype(values)


def _unit(rows: pd.DataFrame, movement: str | None) -> str | None:
    if "unit" in rows.columns and rows["unit"].nunique() == 1:
        return str(rows["unit"].iloc[0])
    return unit_of(movement)


def as_columns(columns: str | Sequence[str] | None) -> tuple[str, ...]:
    """Names of columns, given as one name, several or None."""
    if columns is None:
        return ()
    return (columns,) if isinstance(columns, str) else tuple(columns)
