"""One engine, one task, one cohort, in a process of its own: prints one line of JSON.

``python worker.py ENGINE TASK CSV``; run.py calls it. Runs under the Python that has the engine, so
that nothing here but the engine ``outcomes`` imports the package.
"""

from __future__ import annotations

import json
import statistics
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

CLASSES = ("incisor", "canine", "premolar", "molar")
FORMULA = (
    "achieved ~ 0 + x_incisor + x_canine + x_premolar + x_molar"
    " + (0 + planned | patient) + (0 + planned | site)"
)
SECONDS = 10.0  # spent on repeats, once each has run three times
Result = dict[str, Any]


def timed(call: Callable[[], Any], *, least: int = 3, warm: bool = True) -> tuple[float, int]:
    """Median seconds of a call and how often it ran, after a first call that does not count."""
    if warm:
        call()
    seconds: list[float] = []
    while len(seconds) < least or (sum(seconds) < SECONDS and len(seconds) < 11):
        start = time.perf_counter()
        call()
        seconds.append(time.perf_counter() - start)
        if sum(seconds) > 3 * SECONDS:
            break
    return statistics.median(seconds), len(seconds)


def resident(key: str) -> float:
    """VmRSS (now) or VmHWM (peak), bytes."""
    with open("/proc/self/status") as file:
        return next(1024.0 * int(line.split()[1]) for line in file if line.startswith(key))


def peak_of(call: Callable[[], Any]) -> Result:
    """Bytes of resident memory that a call adds at its peak."""
    with open("/proc/self/clear_refs", "w") as file:
        file.write("5")  # resets the peak
    before = resident("VmRSS")
    call()
    return {"peak_bytes": resident("VmHWM") - before}


class Outcomes:
    def __init__(self, frame: pd.DataFrame) -> None:
        from outcomes.rates.fit import fit_rate
        from outcomes.simulate import simulate_rates

        self.frame, self.fit_rate = frame, fit_rate
        self.fit_rate(simulate_rates(8, seed=1))  # imports

    def fit(self) -> Any:
        return self.fit_rate(self.frame)

    def answer(self, fit: Any) -> Result:
        return {
            "log_likelihood": float(fit.log_likelihood),
            "rates": fit.rates["rate"].tolist(),
            "se": fit.rates["se"].tolist(),
        }

    def bootstrap(self, fit: Any, n: int) -> None:
        fit.bootstrap(n, kind="parametric", seed=1)

    def patient_bootstrap(self, fit: Any, n: int) -> None:
        fit.bootstrap(n, kind="patient", seed=1)

    def influence(self, fit: Any, patients: int) -> None:
        fit.influence()


class Statsmodels(Outcomes):
    """MixedLM, planned scaled, lbfgs: the second engine of the package."""

    def fit(self) -> Any:
        return self.fit_rate(self.frame, engine="statsmodels")

    def bootstrap(self, fit: Any, n: int) -> None:
        raise NotImplementedError

    def patient_bootstrap(self, fit: Any, n: int) -> None:
        raise NotImplementedError

    def influence(self, fit: Any, patients: int) -> None:
        for name in self.frame["patient"].unique()[:patients]:
            self.fit_rate(self.frame[self.frame["patient"] != name], engine="statsmodels")


def with_columns(frame: pd.DataFrame) -> pd.DataFrame:
    """A column of planned for each class, and the tooth site: what lme4-style formulas need."""
    columns = {f"x_{c}": frame["planned"].where(frame["tooth_class"] == c, 0.0) for c in CLASSES}
    site = frame["patient"].astype(str) + ":" + frame["tooth"].astype(str)
    return frame[["patient", "planned", "achieved"]].assign(**columns, site=site)


class Mixedlm:
    """The package mixedlm (compiled from Rust)."""

    def __init__(self, frame: pd.DataFrame) -> None:
        import mixedlm

        self.package, self.frame = mixedlm, with_columns(frame)

    def fit(self) -> Any:
        return self.package.lmer(FORMULA, self.frame, REML=True)

    def answer(self, fit: Any) -> Result:
        fixed, covariance = fit.fixef(), np.asarray(fit.vcov())
        return {
            "log_likelihood": float(fit.logLik().value),
            "rates": [float(fixed[f"x_{c}"]) for c in CLASSES],
            "se": np.sqrt(np.diag(covariance)).tolist(),
        }

    def bootstrap(self, fit: Any, n: int) -> None:
        self.package.bootMer(fit, nsim=n, seed=1)

    def influence(self, fit: Any, patients: int) -> None:
        for name in self.frame["patient"].unique()[:patients]:
            self.package.lmer(FORMULA, self.frame[self.frame["patient"] != name], REML=True)


class LmePython:
    """The package lme-python (compiled from Rust); takes polars frames."""

    def __init__(self, frame: pd.DataFrame) -> None:
        import lme_python
        import polars

        ready = with_columns(frame)
        self.package = lme_python
        self.frame = polars.DataFrame(
            {
                name: ready[name].tolist()
                if name in ("patient", "site")
                else ready[name].to_numpy()
                for name in ready.columns
            }
        )
        self.patients = frame["patient"].unique()

    def fit(self) -> Any:
        return self.package.lmer(FORMULA, self.frame)

    def answer(self, fit: Any) -> Result:
        return {
            "log_likelihood": float(fit.log_likelihood),
            "rates": [float(b) for b in fit.coefficients],
            "se": [float(s) for s in fit.std_errors],
        }

    def bootstrap(self, fit: Any, n: int) -> None:
        self.package.boot_lmer(FORMULA, self.frame, fit, nsim=n, seed=1, n_jobs=1)

    def influence(self, fit: Any, patients: int) -> None:
        import polars

        for name in self.patients[:patients]:
            self.package.lmer(FORMULA, self.frame.filter(polars.col("patient") != name))


ENGINES: dict[str, Any] = {
    "outcomes": Outcomes,
    "statsmodels": Statsmodels,
    "mixedlm": Mixedlm,
    "lme-python": LmePython,
}


def main(engine: str, task: str, path: str, count: int) -> Result:
    frame = pd.read_csv(path)
    result: Result = {"frame_bytes": int(frame.memory_usage(deep=True).sum())}
    worker = ENGINES[engine](frame)
    if task == "memory":
        return result | peak_of(worker.fit)
    if task == "fit":
        start = time.perf_counter()
        try:
            fit = worker.fit()
        except ValueError as error:
            if "did not converge" not in str(error):
                raise
            return result | {"seconds": time.perf_counter() - start, "note": "no optimum found"}
        first = time.perf_counter() - start
        slow = first > 120
        seconds, repeats = (first, 1) if slow else timed(worker.fit, warm=False)
        return result | {"seconds": seconds, "repeats": repeats} | worker.answer(fit)
    fit = worker.fit()
    call = {
        "bootstrap": lambda: worker.bootstrap(fit, count),
        "patient bootstrap": lambda: worker.patient_bootstrap(fit, count),
        "influence": lambda: worker.influence(fit, count),
    }[task]
    warm = engine == "outcomes"
    seconds, repeats = timed(call, warm=warm, least=3 if warm else 1)
    return result | {"seconds": seconds, "repeats": repeats, "count": count}


if __name__ == "__main__":
    answer = main(sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4]))
    print("RESULT " + json.dumps(answer))
