"""From a fit to the outlook of each kind of tooth, and to what is known of its rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CannotAnswer
from outcomes.overcorrect.factors import bent_sentence
from outcomes.overcorrect.landing import Outlook
from outcomes.overcorrect.rules import Rules, Verdict, judge
from outcomes.overcorrect.sources import Case, Known, Shown
from outcomes.rates.design import with_derived
from outcomes.rates.pooling import ToothRates, class_of, tooth_rates
from outcomes.rates.predict import own_rate_moments, rate_moments
from outcomes.rates.result import RateFit

__all__ = ["FitSource"]

_KNOTS = 25


@dataclass(frozen=True)
class FitSource:
    """A fit and, for a fit by tooth, its pooled rates."""

    fit: RateFit
    pooled: ToothRates | None
    towards: tuple[str, ...]
    bent: str = ""

    @classmethod
    def of(
        cls, fit: RateFit, towards: tuple[str, ...] = ("tooth_class",), rules: Rules | None = None
    ) -> FitSource:
        """Pool if the fit is by tooth; say it if the rate bends."""
        pooled = tooth_rates(fit, towards=towards) if fit.group[:1] == ("tooth",) else None
        return cls(fit, pooled, towards, bent_sentence(fit, rules or Rules()))

    @property
    def patients(self) -> frozenset[str]:
        """Codes of the past patients."""
        return frozenset(str(patient) for patient in self.fit.design.patient_labels)

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that an aim must have for this fit."""
        return tuple(c for c in (*self.fit.group, *self.fit.design.covariates) if c != "plan_size")

    @property
    def depends_on_size(self) -> bool:
        """Does the rate change with the size of the plan?"""
        return "plan_size" in self.fit.design.covariates

    def case(self, aim: pd.Series) -> Case:
        """The kind of tooth of one aim (tooth, aim, movement, the columns of the fit).

        Raises
        ------
        CannotAnswer
            If a column is missing or blank.
        """
        sign = 1 if aim["aim"] > 0 else -1
        given = aim.to_frame().T.assign(planned=float(aim["aim"]))
        if "direction" in self.columns:
            given = given.assign(direction=self._direction(sign))
        frame = with_derived(given, self.columns)
        values: list[tuple[str, Any]] = []
        for name in self.columns:
            value = frame[name].iloc[0]
            if pd.isna(value):
                raise CannotAnswer(f"{name} is blank, and the rates depend on it: fill it in.")
            values.append((name, self._read(name, value)))
        known = set(self.fit.design.patient_labels)
        if aim.get("patient") in known:
            values += [("patient", aim["patient"])]
            if "tooth" not in self.columns:
                values += [("tooth", aim["tooth"])]
        return Case(tuple(values), sign, int(aim["tooth"]))

    def _read(self, name: str, value: Any) -> Any:
        """A covariate that is a number in the fit, as a number."""
        design = self.fit.design
        if name not in design.covariates or name in design.covariate_levels:
            return value
        try:
            return 0.0 if value == "none" else float(value)
        except ValueError:
            raise CannotAnswer(
                f"{name} is {value!r}, but a number in the past cases: write a number."
            ) from None

    def _direction(self, sign: int) -> str:
        words = {word for group in self.fit.groups for word in group.split()}
        movement = MOVEMENTS.get(self.fit.movement or "")
        if movement is None or words & {"positive", "negative"}:
            return "positive" if sign > 0 else "negative"
        return movement.positive_direction if sign > 0 else movement.negative_direction

    def known(self, case: Case, size: float) -> Known:
        """What past cases say, at plans of about ``size``.

        Raises
        ------
        CannotAnswer
            If past cases hold no such tooth.
        """
        if self.pooled is not None:
            return self._pooled_known(case, size)
        frame = case.frame(np.array([case.sign * size]))
        moments = rate_moments(self.fit, frame).iloc[0]
        variance, df = float(moments["variance_estimate"]), float(moments["df"])
        if "patient" in frame:
            own = own_rate_moments(self.fit, frame).iloc[0]
            # with no variance between patients the group's df have the last word
            alike = self.fit.mixed.psi[0, 0] == 0
            variance, df = float(own["variance"]), min(own["df"], df if alike else np.inf)
        return self._counted(case, float(moments["rate"]), float(np.sqrt(variance)), df)

    def _group(self, case: Case) -> str:
        values = dict(case.values)
        return " ".join(str(values[name]) for name in self.fit.group) if self.fit.group else "all"

    def _counted(self, case: Case, rate: float, se: float, df: float, **more: Any) -> Known:
        design = self.fit.design
        group = self._group(case)
        values = dict(case.values)
        levels_alike = np.ones(len(design.planned), dtype=bool)
        for name, levels in design.covariate_levels.items():
            for level in levels[1:]:
                column = design.x[:, design.names.index(f"{name}: {level}")]
                levels_alike &= (column != 0) == (str(values[name]) == level)
        towards = levels_alike & (design.planned * case.sign > 0)
        of_group = np.array(design.groups)[design.group_code] == group
        of_kind = of_group
        if self.pooled is not None:
            kinds = self.pooled.rates.set_index("group")["tooth_class"].reindex(design.groups)
            of_kind = kinds.to_numpy(object)[design.group_code] == more["tooth_class"]
            more["class_patients"] = len(np.unique(design.patient[of_kind & towards]))
        own, own_tooth = 0, False
        if "patient" in values:
            hers = design.patient_labels[design.patient] == values["patient"]
            own = int(hers.sum())
            own_tooth = "tooth" in values and bool((hers & (design.tooth == values["tooth"])).any())
            own_tooth &= self.fit.mixed.inner_variance is not None
        return Known(
            group=group,
            rate=rate,
            se=se,
            df=df,
            patients=len(np.unique(design.patient[of_group & towards])),
            movements=int((of_group & towards).sum()),
            records=len(np.unique(design.patient[of_kind & levels_alike])),
            largest=float((design.planned * case.sign)[of_kind & towards].max(initial=0.0)),
            own_movements=own,
            own_tooth=own_tooth,
            **more,
        )

    def _pooled_known(self, case: Case, size: float) -> Known:
        assert self.pooled is not None
        values = dict(case.values)
        group = self._group(case)
        rates = self.pooled.rates
        own = rates[rates["group"].astype(str) == group]
        row = own.iloc[0] if len(own) else self._class_row(self._class_name(values), group)
        # what covariates and a patient's own records add comes on top of the pooled rate
        stand_in = self._stand_in(case)
        frame = stand_in.frame(np.array([case.sign * size]))
        single = rate_moments(self.fit, frame).iloc[0]
        at = self.fit.groups.index(self._group(stand_in))
        shift = float(row["rate"] - self.fit.mixed.beta[at])
        variance = float(row["se"]) ** 2 + self._beyond_groups(stand_in, frame)[0]
        df = float(row["df"])
        if "patient" in frame:
            own_rate = own_rate_moments(self.fit, frame).iloc[0]
            left = float(own_rate["variance_left"])
            spread = variance**2 / df + left**2 / float(own_rate["df_left"])
            variance += left
            df = variance**2 / spread
        return self._counted(
            case,
            float(single["rate"]) + shift,
            float(np.sqrt(variance)),
            df,
            tooth_class=str(row["tooth_class"]),
            pooled_se=float(row["se"]),
            shift=shift,
        )

    def _beyond_groups(self, case: Case, frame: pd.DataFrame) -> np.ndarray:
        """What covariates add to the variance of the rate of a group, (n,); never below 0."""
        at = self.fit.groups.index(self._group(case))
        new = rate_moments(self.fit, frame.drop(columns="patient", errors="ignore"))
        extra = new["variance_estimate"].to_numpy() - self.fit.mixed.covariance[at, at]
        return np.maximum(extra, 0.0)

    def _class_name(self, values: dict[str, Any]) -> str:
        """What a tooth is pooled towards."""
        rest = (str(values[name]) for name in self.fit.group[1:])
        return " ".join([*class_of(values["tooth"], self.towards), *rest])

    def _class_row(self, name: str, group: str) -> pd.Series:
        assert self.pooled is not None
        classes = self.pooled.classes
        row = classes[classes["tooth_class"] == name]
        if not len(row):
            raise CannotAnswer(f"No past case has tooth {group}, nor another {name} tooth.")
        return row.iloc[0]

    def verdict(self, known: Known, rules: Rules, shown: Shown | None = None) -> Verdict:
        """The verdict on the factor; where a plan is ``shown``, on that plan too."""
        beyond = shown is not None and shown.planned > known.largest * (1 + 1e-9)
        return judge(
            known.rate,
            known.se,
            known.df,
            known.patients,
            rules,
            borrowed=known.tooth_class,
            class_patients=known.class_patients,
            bent=self.bent,
            records=known.records,
            untested="" if known.largest > 0 else _UNTESTED,
            beyond=_BEYOND if beyond else "",
            own_movements=known.own_movements,
            own="tooth" if known.own_tooth else "patient",
        )

    def outlook(self, case: Case, largest: float, known: Known) -> Outlook:
        """Mean, variance and df of the result at plans up to ``largest``, in the aim's direction."""
        plan = np.linspace(0.0, largest, _KNOTS)
        stand_in = case if self.pooled is None else self._stand_in(case)
        frame = stand_in.frame(case.sign * plan)
        moments = self.fit.predict(frame, levels=())
        mean, variance = case.sign * moments["expected"].to_numpy(), moments["sd"].to_numpy() ** 2
        if self.pooled is not None:
            # the pooled rate and its variance take the place of the single tooth's own
            single = rate_moments(self.fit, frame)["variance_estimate"].to_numpy()
            pooled = known.pooled_se**2 + self._beyond_groups(stand_in, frame)
            mean = mean + known.shift * plan
            variance += (pooled - single) * plan**2
        return Outlook.through(plan, mean, variance, moments["df"].to_numpy())

    def _stand_in(self, case: Case) -> Case:
        """The case itself, or one with another tooth of its class where it has no records."""
        assert self.pooled is not None
        if self._group(case) in self.fit.groups:
            return case
        values = dict(case.values)
        rates = self.pooled.rates
        others = rates.loc[rates["tooth_class"] == self._class_name(values), "tooth"]
        if "patient" in values:  # what is known of another tooth of the patient is not of this one
            sites = self.fit.design.site_labels
            hers = sites.loc[sites["patient"] == values["patient"], "tooth"]
            others = pd.concat([others[~others.isin(hers)], others])
        values["tooth"] = others.iloc[0]
        return Case(tuple(values.items()), case.sign, case.tooth)


_BEYOND = "The safer plan goes beyond every past plan in this direction, so that it is untested."
_UNTESTED = "No past plan of this kind went in this direction, so that nothing is known of it."
