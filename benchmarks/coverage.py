"""Do 95 % intervals of the rates cover the truth? A simulation study, seeded and resumable.

Run ``python benchmarks/coverage.py``; it appends to coverage.csv block by block, so that a second
start goes on where the first stopped, and puts its tables into README.md.

Each cohort has 8 teeth a patient, two courses each, with four rates (one a tooth class). Covered
is the share of the four intervals that hold the true rate, and of the interval of the difference
between incisors and molars; Monte-Carlo standard errors are over cohorts.

A second study ("comparisons", comparisons.csv) lets the rate of a patient vary by course, class or
direction, and asks every kind of comparison that a report makes: its true value is 0, or for tooth
classes the difference of the rates.
"""

from __future__ import annotations

import argparse
import csv
import io
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pandas as pd
from candidates import cluster_robust
from page import replace_part
from scipy.special import stdtrit

from outcomes.errors import CannotAnswer
from outcomes.mixed import resample
from outcomes.mixed.fit import MixedFit, fit_mixed
from outcomes.overcorrect.loop import closing_loop
from outcomes.rates.design import Design, rate_design
from outcomes.rates.fit import fit_rate
from outcomes.rates.result import RateFit
from outcomes.simulate import DEFAULT_RATES, simulate_rates

OUT = Path(__file__).with_name("coverage.csv")
DESIGNS: dict[str, dict[str, float]] = {
    "plain": {},
    "spread grows with the plan": {"heteroscedastic": 1.0},
    "wild outliers": {"outliers": 0.02},
    "skewed patients": {"skew": 2.0},
    "one patient has half": {"dominant": 0.5},
    "patients alike": {"patient_sd": 0.0},
    "teeth alike": {"tooth_sd": 0.0},
}
PATIENTS = (8, 12, 25, 60)
REPLICATES = 199
COHORTS, BLOCK = 2000, 100
TRUTH = np.array(list(DEFAULT_RATES["rotation"].values()))
DIFFERENCE = np.array([1.0, 0.0, 0.0, -1.0])
CONTRASTS = np.vstack([np.eye(4), DIFFERENCE])
TARGET = CONTRASTS @ TRUTH
REPORTED = "as reported"
METHODS = (
    "REML, Satterthwaite t",
    "patient bootstrap, percentile",
    "parametric bootstrap, percentile",
    "patient bootstrap, t",
    "cluster-robust CR2, t",
    "cluster-robust CR3, t",
)
FIELDS = [
    "design",
    "patients",
    "block",
    "quantity",
    "method",
    "cohorts",  # fitted
    "failed",
    "covered",  # sums over cohorts of the share covered, and of its square
    "covered_square",
    "error",  # of estimate - truth
    "error_square",
    "width",
    "log_width",
]


def intervals(fit: MixedFit, design: Design, seed: int) -> np.ndarray:
    """Low and high (method, 2, contrast) of the four rates and the difference."""
    estimate = CONTRASTS @ fit.beta
    planned, codes = design.planned, design.tooth_code
    rows = resample.sorted_rows(
        fit.blocks, design.x, planned[:, None], design.patient, codes, planned
    )

    def t_interval(se: np.ndarray, df: np.ndarray | float) -> list[np.ndarray]:
        half = stdtrit(df, 0.975) * se
        return [estimate - half, estimate + half]

    def percentile(replicates: resample.Replicates) -> tuple[list[np.ndarray], np.ndarray]:
        values = replicates.beta @ CONTRASTS.T
        values[:, :4] = replicates.beta  # a missing class spoils its own rate only
        whole = values[~np.isnan(values).any(1)]
        low, high = (
            np.percentile(whole, [2.5, 97.5], axis=0)
            if len(whole) == len(values)
            else np.nanpercentile(values, [2.5, 97.5], axis=0)
        )
        return [low, high], np.nanstd(values, axis=0, ddof=1)

    by_patient, se = percentile(resample.over_outer(fit, n=REPLICATES, seed=seed))
    parametric, _ = percentile(resample.parametric(fit, rows, n=REPLICATES, seed=seed + 1))
    return np.array(
        [
            t_interval(fit.standard_error(CONTRASTS), fit.df(CONTRASTS)),
            by_patient,
            parametric,
            t_interval(se, fit.blocks.n_outer - 1),
            t_interval(*cluster_robust(fit, CONTRASTS, kind="CR2")),
            t_interval(*cluster_robust(fit, CONTRASTS, kind="CR3")),
        ]
    )


def invented(design: str, patients: int, cohort: int) -> tuple[pd.DataFrame, int]:
    """The rows of one cohort, and a seed for its bootstraps."""
    number = list(DESIGNS).index(design)
    sequence = np.random.SeedSequence([number, patients, cohort])
    frame = simulate_rates(
        patients,
        seed=np.random.default_rng(sequence),
        teeth_per_patient=8,
        rows_per_tooth=2,
        **DESIGNS[design],
    )
    return frame, int(sequence.generate_state(1)[0])


def reported(design: str, patients: int, cohort: int) -> tuple[np.ndarray, np.ndarray] | None:
    """As one_cohort, for the intervals that the package gives by default."""
    try:
        fit = fit_rate(invented(design, patients, cohort)[0])
    except CannotAnswer:
        return None
    if len(fit.groups) < len(TRUTH):
        return None
    difference = fit.contrast_table(DIFFERENCE)
    bounds = [[*fit.rates[end], *difference[end]] for end in ("low", "high")]
    return CONTRASTS @ fit.mixed.beta - TARGET, np.array([bounds])


def one_cohort(design: str, patients: int, cohort: int) -> tuple[np.ndarray, np.ndarray] | None:
    """Estimates less truth (contrast,) and intervals of all METHODS; None without a fit."""
    frame, seed = invented(design, patients, cohort)
    drawn = rate_design(frame, None, group="tooth_class", covariates=(), intercept=False)
    if len(drawn.groups) < len(TRUTH):
        return None
    try:
        fit = fit_mixed(drawn.blocks())
    except CannotAnswer:
        return None
    return CONTRASTS @ fit.beta - TARGET, intervals(fit, drawn, seed)


# ------------------------------------------------------------------------------- comparisons

COMPARED = Path(__file__).with_name("comparisons.csv")
VARYING: dict[str, dict[str, float]] = {
    "nothing varies": {},
    "by class": {"tooth_class": 0.10},
    "by direction": {"direction": 0.10},
    "by course": {"course": 0.10},
    "by all three": {"tooth_class": 0.10, "direction": 0.10, "course": 0.10},
    "by course, patients alike": {"course": 0.10},
    "by all three, 40 % missing": {"tooth_class": 0.10, "direction": 0.10, "course": 0.10},
}
COMPARED_PATIENTS = (10, 20, 50)
# what is compared: column of two levels, and what a model with more variances lets vary
KINDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "direction": ("negative", ("direction",)),
    "course 2 against 1": ("later", ("course",)),
    "auxiliary, set by course": ("auxiliary", ("course",)),
    "attachment, set by tooth": ("attachment", ()),
    "growing against grown": ("growing", ()),
}
MODEL_T, VARIES_T = "REML, Satterthwaite t", "varies_by, Satterthwaite t"
SINCE = "2025-01-20"


def compared(design: str, patients: int, cohort: int) -> pd.DataFrame:
    """Rows of one cohort, with the columns compared, none of which changes a rate."""
    number = list(VARYING).index(design)
    rng = np.random.default_rng(np.random.SeedSequence([77, number, patients, cohort]))
    frame = simulate_rates(
        patients,
        seed=rng,
        teeth_per_patient=8,
        rows_per_tooth=2,
        patient_sd=0.0 if "alike" in design else 0.10,
        varying=VARYING[design],
    )
    who = pd.factorize(frame["patient"])[0]
    later = (frame["course"] == 2).to_numpy()
    days = rng.integers(0, 700, patients)[who] + 300 * later
    frame = frame.assign(
        aim=frame["planned"],
        negative=(frame["planned"] < 0).astype(int),
        later=later.astype(int),
        auxiliary=rng.integers(0, 2, (patients, 2))[who, later.astype(int)],
        growing=rng.permutation(np.arange(patients) % 2)[who],
        start=pd.Timestamp("2024-01-01") + pd.to_timedelta(days, unit="D"),
    )
    return frame[rng.random(len(frame)) >= 0.4] if "missing" in design else frame


Answer = dict[str, tuple[np.ndarray, np.ndarray]]


def _rows_of_fit(fit: RateFit, contrasts: np.ndarray, *covariances: str) -> np.ndarray:
    tables = [fit.contrast_table(contrasts, covariance=c) for c in covariances]
    return np.array([[t["low"], t["high"]] for t in tables])


def comparisons(design: str, patients: int, cohort: int) -> Answer:
    """Estimate less truth and intervals (as reported, then by the model) of each comparison."""
    frame = compared(design, patients, cohort)
    found: Answer = {}
    try:
        fit = fit_rate(frame)
        if len(fit.groups) == len(TRUTH):
            estimate = CONTRASTS @ fit.mixed.beta - TARGET
            rates = _rows_of_fit(fit, CONTRASTS[:4], "model", "CR2")
            found["rate"] = estimate[:4], rates
            found["rate, cluster-robust"] = estimate[:4], rates[[1, 0]]
            found["tooth class"] = estimate[4:], _rows_of_fit(fit, CONTRASTS[4:], "CR2", "model")
    except CannotAnswer:
        pass
    for kind, (column, _) in KINDS.items():
        try:
            fit = fit_rate(frame, covariates=column)
        except CannotAnswer:
            continue
        last = np.eye(len(fit.mixed.beta))[-1:]
        found[kind] = last @ fit.mixed.beta, _rows_of_fit(fit, last, "CR2", "model")
    try:
        change = closing_loop(frame, SINCE).change.iloc[0]
    except CannotAnswer:
        return found
    for what in ("reached", "shortfall"):
        bounds = np.array([[[change[f"{what}_low"]], [change[f"{what}_high"]]]] * 2)
        if np.isfinite(bounds).all():
            found[f"closing_loop, {what}"] = np.array([change[what]]), bounds
    return found


def more_variances(design: str, patients: int, cohort: int) -> Answer:
    """The same by a model with the variances that matter (``varies_by``)."""
    frame = compared(design, patients, cohort)
    found: Answer = {}
    for kind, (column, varies) in KINDS.items():
        if not varies:
            continue
        try:
            fit = fit_rate(frame, covariates=column, varies_by=varies)
        except CannotAnswer:
            continue
        last = np.eye(len(fit.mixed.beta))[-1:]
        found[kind] = last @ fit.mixed.beta, _rows_of_fit(fit, last, "model")
    try:
        fit = fit_rate(frame, varies_by="tooth_class")
    except CannotAnswer:
        return found
    if len(fit.groups) == len(TRUTH):
        estimate = CONTRASTS @ fit.mixed.beta - TARGET
        found["rate"] = estimate[:4], _rows_of_fit(fit, CONTRASTS[:4], "model")
        found["tooth class"] = estimate[4:], _rows_of_fit(fit, CONTRASTS[4:], "model")
    return found


COMPARISONS = {
    "comparisons": ((REPORTED, MODEL_T), comparisons),
    "more variances": ((VARIES_T,), more_variances),
}
TRUTHS = {"rate": TARGET[:4], "rate, cluster-robust": TARGET[:4], "tooth class": TARGET[4:]}


def block_of_comparisons(
    part: str, design: str, patients: int, block: int
) -> list[dict[str, object]]:
    """Rows of the table for one block of cohorts."""
    methods, one = COMPARISONS[part]
    answers = [one(design, patients, c) for c in range(block * BLOCK, (block + 1) * BLOCK)]
    rows = []
    for quantity in dict.fromkeys(q for answer in answers for q in answer):
        found = [answer[quantity] for answer in answers if quantity in answer]
        bounds = np.array([b for _, b in found])
        off = np.array([e for e, _ in found]).mean(1)
        truth = TRUTHS.get(quantity, 0.0)
        for m, method in enumerate(methods):
            cell = (design, patients, block, quantity, method)
            rows.append(row_of(cell, off, bounds[:, m], truth))
    return rows


def row_of(
    cell: tuple[object, ...], off: np.ndarray, bounds: np.ndarray, truth: np.ndarray | float
) -> dict[str, object]:
    """Sums over the cohorts of a block: errors (cohorts), bounds (cohorts, 2, rates)."""
    low, high = bounds[:, 0], bounds[:, 1]
    share = ((low <= truth) & (high >= truth)).mean(1)
    width = high - low
    sums = (
        len(share),
        BLOCK - len(share),
        round(float(share.sum()), 6),
        round(float((share**2).sum()), 6),
        round(float(off.sum()), 8),
        round(float((off**2).sum()), 8),
        round(float(width.mean(1).sum()), 6),
        round(float(np.log(width).mean(1).sum()), 6),
    )
    return dict(zip(FIELDS, (*cell, *sums), strict=True))


def page_of_comparisons(table: pd.DataFrame) -> str:
    """The generated part of README.md on comparisons."""
    methods = [m for m in (REPORTED, MODEL_T, VARIES_T) if m in set(table["method"])]
    cohorts = table.groupby("method")["cohorts"].max()
    lines = [
        "Cohorts a cell: "
        + ", ".join(f"{m} {cohorts[m]:,}" for m in methods)
        + f". Monte-Carlo standard errors: {table['coverage_se'].max():.1f} points at most. "
        f"Coverage outside {HOLDS[0]}–{HOLDS[1]} % in italics.",
        "",
    ]
    for method in methods:
        part = table[table["method"] == method]
        designs = [d for d in VARYING if d in set(part["design"])]
        lines += [f"**{method}: coverage, %**", ""]
        lines.append("| compared | patients | " + " | ".join(designs) + " |")
        lines.append("| --- | ---: |" + " ---: |" * len(designs))
        for (quantity, patients), cell in part.groupby(["quantity", "patients"], sort=False):
            if method == MODEL_T and quantity.startswith("closing_loop"):
                continue
            values = cell.set_index("design")["coverage"]
            shown = " | ".join(_percent(float(values[d])) if d in values else "" for d in designs)
            lines.append(f"| {quantity} | {patients} | {shown} |")
        lines.append("")
    return "\n".join(lines)


PARTS = {"methods": (METHODS, one_cohort), "reported": ((REPORTED,), reported)}


def one_block(part: str, design: str, patients: int, block: int) -> list[dict[str, object]]:
    """Rows of the table for one block of cohorts."""
    methods, one = PARTS[part]
    results = [one(design, patients, c) for c in range(block * BLOCK, (block + 1) * BLOCK)]
    fitted = [r for r in results if r is not None]
    error = np.array([r[0] for r in fitted])
    bounds = np.array([r[1] for r in fitted])
    rows = []
    for quantity, columns in (("rate", slice(0, 4)), ("difference", slice(4, 5))):
        off = error[:, columns].mean(1)
        for m, method in enumerate(methods):
            cell = (design, patients, block, quantity, method)
            rows.append(row_of(cell, off, bounds[:, m, :, columns], TARGET[columns]))
    return rows


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """Coverage and its Monte-Carlo SE, bias and its SE, geometric mean width; a row per cell."""
    keys = ["quantity", "design", "patients", "method"]
    sums = table.groupby(keys, sort=False).sum(numeric_only=True).reset_index()
    n = sums["cohorts"]

    def standard_error(total: str) -> pd.Series:
        mean = sums[total] / n
        return np.sqrt((sums[f"{total}_square"] / n - mean**2).clip(lower=0) / (n - 1))

    return sums[[*keys, "cohorts", "failed"]].assign(
        coverage=100 * sums["covered"] / n,
        coverage_se=100 * standard_error("covered"),
        bias=sums["error"] / n,
        bias_se=standard_error("error"),
        width=np.exp(sums["log_width"] / n),
    )


SHORT = {
    REPORTED: "**as reported**",
    "REML, Satterthwaite t": "REML, t",
    "patient bootstrap, percentile": "patient bootstrap",
    "parametric bootstrap, percentile": "parametric bootstrap",
    "patient bootstrap, t": "(patient bootstrap SE, t)",
    "cluster-robust CR2, t": "(CR2, t)",
    "cluster-robust CR3, t": "(CR3, t)",
}
HOLDS = (93.5, 96.5)


def page(table: pd.DataFrame) -> str:
    """The generated part of README.md: coverage of rates and of a difference, width and bias."""
    cells = table.groupby(["design", "patients"])["cohorts"].max()
    lines = [
        f"Cohorts a cell: {cells.min():,}{'' if cells.min() == cells.max() else f' to {cells.max():,}'}. "
        f"Monte-Carlo standard errors: {_largest(table, 'rate')} points at most for the rates, "
        f"{_largest(table, 'difference')} for the difference. Coverage outside "
        f"{HOLDS[0]}–{HOLDS[1]} % in italics; in brackets, methods on trial.",
        "",
    ]
    for quantity, title in (
        ("rate", "Coverage of the rates, %"),
        ("difference", "Coverage of the difference between incisors and molars, %"),
    ):
        part = table[table["quantity"] == quantity]
        lines += [f"**{title}**", "", *_rows(part, "coverage", _percent), ""]
    rates = table[table["quantity"] == "rate"]
    lines += ["**Width of the intervals of the rates** (geometric mean)", ""]
    lines += [*_rows(rates, "width", "{:.3f}".format), ""]
    bias = rates[rates["method"] == METHODS[0]]
    worst = bias.loc[(bias["bias"] / bias["bias_se"]).abs().idxmax()]
    lines.append(
        f"Bias of the rates: {bias['bias'].abs().max():.4f} at most (a rate is about 0.5); the one "
        f"furthest out is {worst['bias'] / worst['bias_se']:+.1f} of its Monte-Carlo standard errors "
        f"({worst['design']}, {worst['patients']} patients), of {len(bias)} cells. Cohorts without "
        f"a fit: {int(bias['failed'].sum())}."
    )
    return "\n".join(lines)


def _largest(table: pd.DataFrame, quantity: str) -> str:
    return f"{table.loc[table['quantity'] == quantity, 'coverage_se'].max():.1f}"


def _percent(value: float) -> str:
    inside = HOLDS[0] <= round(value, 1) <= HOLDS[1]
    return f"{value:.1f}" if inside else f"*{value:.1f}*"


def _rows(part: pd.DataFrame, column: str, form: Callable[[float], str]) -> list[str]:
    lines = ["| design | patients | " + " | ".join(SHORT.values()) + " |"]
    lines.append("| --- | ---: |" + " ---: |" * len(SHORT))
    for (design, patients), cell in part.groupby(["design", "patients"], sort=False):
        values = cell.set_index("method")[column]
        shown = " | ".join(form(float(values[m])) if m in values else "" for m in SHORT)
        lines.append(f"| {design} | {patients} | {shown} |")
    return lines


Cell = tuple[str, str, int, int]


def done() -> set[Cell]:
    """Part, design, patients and block of what is written in full."""
    if not OUT.exists():
        return set()
    table = pd.read_csv(OUT)
    part = np.where(table["method"] == REPORTED, "reported", "methods")
    counts = table.groupby([part, "design", "patients", "block"]).size()
    wanted = [2 * len(PARTS[key[0]][0]) for key in counts.index]
    return set(counts.index[counts.to_numpy() == wanted])


def compared_already() -> set[Cell]:
    """The same of the comparisons; a block is written in one piece."""
    if not COMPARED.exists():
        return set()
    table = pd.read_csv(COMPARED)
    part = np.where(table["method"] == VARIES_T, "more variances", "comparisons")
    return set(table.groupby([part, "design", "patients", "block"]).size().index)


def run(
    cells: list[Cell],
    out: Path,
    ready: Callable[[], set[Cell]],
    block: Callable[..., list[dict[str, object]]],
    backwards: bool,
) -> None:
    """Blocks not there yet, one from every cell before the next."""
    for cell in reversed(cells) if backwards else cells:
        there = ready()
        if cell in there:
            continue
        lines = io.StringIO()
        writer = csv.DictWriter(lines, FIELDS, lineterminator="\n")
        if not out.exists():
            writer.writeheader()
        writer.writerows(block(*cell))
        with out.open("a", newline="") as file:
            file.write(lines.getvalue())  # in one piece: two runs may share the file
        print(f"{len(there) + 1}/{len(cells)} {cell}", file=sys.stderr)


def cells_of(
    parts: Iterable[str], designs: Iterable[str], sizes: Iterable[int], cohorts: int
) -> list[Cell]:
    blocks = range(cohorts // BLOCK)
    return [(p, d, n, b) for p in parts for b in blocks for d in designs for n in sizes]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cohorts", type=int, default=COHORTS, help="per cell")
    parser.add_argument(
        "--backwards", action="store_true", help="for a second run beside the first"
    )
    parser.add_argument("--summary", action="store_true", help="only write the tables")
    parser.add_argument(
        "--part", choices=[*PARTS, *COMPARISONS], help="one part only; by default all"
    )
    arguments = parser.parse_args()
    parts = [arguments.part] if arguments.part else [*PARTS, *COMPARISONS]
    if not arguments.summary:
        of_rates = cells_of([p for p in parts if p in PARTS], DESIGNS, PATIENTS, arguments.cohorts)
        run(of_rates, OUT, done, one_block, arguments.backwards)
        of_comparisons = cells_of(
            [p for p in parts if p in COMPARISONS], VARYING, COMPARED_PATIENTS, arguments.cohorts
        )
        run(of_comparisons, COMPARED, compared_already, block_of_comparisons, arguments.backwards)
    page_file = OUT.with_name("README.md")
    replace_part(page_file, "coverage", page(in_order(OUT, DESIGNS)))
    if COMPARED.exists():
        shown = in_order(COMPARED, VARYING)
        replace_part(page_file, "comparisons", page_of_comparisons(shown))


def in_order(file: Path, designs: Iterable[str]) -> pd.DataFrame:
    """The summary of a file, its designs in order."""
    order = {d: i for i, d in enumerate(designs)}
    table = summary(pd.read_csv(file))
    return table.sort_values(
        ["design", "patients"], key=lambda c: c.map(order) if c.name == "design" else c
    )


if __name__ == "__main__":
    main()
