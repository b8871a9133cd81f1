"""Do prescriptions help, are the chances true, does Fieller's interval cover? On known truth.

    python benchmarks/prescriptions.py            # goes on where it was stopped
    python benchmarks/prescriptions.py --quick    # a twentieth of it, written elsewhere

Everything is seeded by study, setting and replicate, so that a run that was stopped and one that
was not give the same tables: prescriptions.csv (every replicate) and prescriptions.md (the tables).
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT
from outcomes.overcorrect.prescribe import prescribe
from outcomes.overcorrect.rules import fieller_reciprocal
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates

HERE = Path(__file__).parent
SEED = 20_260
RATES = {"incisor": 0.62, "canine": 0.55, "premolar": 0.50, "molar": 0.40}
TOLERANCE = 0.5  # mm
MAX_FACTOR = 2.0
PAST = (8, 12, 30, 60)
NEW_PATIENTS, TEETH = 10, 10
REPLICATES = 200
COVERAGE = [(rate, n) for rate in (0.6, 0.3, 0.1) for n in (6, 12, 25)]
COVERAGE_REPLICATES = 4000
COVERAGE_CHUNK = 200
FIELDS = ["study", "setting", "replicate", "what", "n", "a", "b", "c"]

NAIVE, NAIVE_CAPPED, NAIVE_SIFTED = (
    "1 / mean ratio",
    "1 / mean ratio, at most 2",
    "1 / mean ratio of plans from 0.2 mm, at most 2",
)


def practice(patients: int, seed: list[int]) -> tuple[pd.DataFrame, np.random.Generator]:
    """Past records of a practice without overcorrection, and the generator to go on with."""
    rng = np.random.default_rng(seed)
    rows = simulate_rates(
        patients, seed=rng, movement="vertical", rates=RATES, teeth_per_patient=12
    )
    return rows, rng


def payoff(patients: int, replicate: int) -> Iterator[list]:
    """Shortfalls of new patients under each way of planning; stated chances against landings."""
    past, rng = practice(patients, [SEED, 1, patients, replicate])
    new = simulate_rates(
        NEW_PATIENTS,
        seed=rng,
        movement="vertical",
        rates=RATES,
        teeth_per_patient=TEETH,
        effects=True,
    )
    aim = new["planned"].to_numpy()
    slope = new["tooth_class"].astype(str).map(RATES).to_numpy(float)
    slope = slope + new["patient_effect"].to_numpy() + new["tooth_effect"].to_numpy()
    error = new["achieved"].to_numpy() - slope * aim
    aims = pd.DataFrame({"patient": "N" + new["patient"], "tooth": new["tooth"], "aim": aim})
    plan = prescribe(fit_rate(past), aims, notation="fdi")
    by_option = {name: part.sort_values("at") for name, part in plan.options.groupby("option")}
    classes = new["tooth_class"].astype(str)
    plans = {
        AS_AIMED: aim,
        NAIVE: aim * naive_factor(past, classes, np.inf, 0.0),
        NAIVE_CAPPED: aim * naive_factor(past, classes, MAX_FACTOR, 0.0),
        NAIVE_SIFTED: aim * naive_factor(past, classes, MAX_FACTOR, 0.2),
    }
    for option in (DIRECT, BEST):
        wanted = by_option[option]["planned"].to_numpy(float)
        plans[option] = np.where(np.isnan(wanted), aim, wanted)  # declined: planned as aimed
    for name, planned in plans.items():
        miss = (aim - (slope * planned + error)) * np.sign(aim)
        yield [
            "payoff",
            patients,
            replicate,
            name,
            len(miss),
            np.abs(miss).mean(),
            (np.abs(miss) <= TOLERANCE).mean(),
            (miss < -TOLERANCE).mean(),
        ]
    for option in (AS_AIMED, DIRECT, BEST):
        rows = by_option[option].reset_index(drop=True)
        given = rows["within"].notna().to_numpy()
        planned = rows["planned"].to_numpy(float)
        miss = (aim - (slope * planned + error)) * np.sign(aim)
        for chance, landed in (
            ("within", np.abs(miss) <= TOLERANCE),
            ("over", miss < -TOLERANCE),
        ):
            stated = rows[chance].to_numpy(float)[given]
            tenth = np.minimum((stated * 10).astype(int), 9)
            for k in np.unique(tenth):
                at = tenth == k
                yield [
                    "chances",
                    patients,
                    replicate,
                    f"{option}|{chance}|{k}",
                    int(at.sum()),
                    stated[at].sum(),
                    landed[given][at].sum(),
                    0,
                ]


def naive_factor(past: pd.DataFrame, classes: pd.Series, cap: float, smallest: float) -> np.ndarray:
    """1 / mean of achieved / planned over the rows of the class, as a spreadsheet would have it."""
    rows = past[past["planned"].abs() >= smallest]
    ratio = (rows["achieved"] / rows["planned"]).groupby(rows["tooth_class"].astype(str)).mean()
    mean = classes.map(ratio).fillna(1.0).to_numpy(float)
    return np.clip(np.where(mean > 0, 1 / mean, 1.0), 0, cap)


def coverage(rate: float, patients: int, chunk: int) -> Iterator[list]:
    """How often Fieller's interval holds 1 / rate, and how often it has no upper limit."""
    held = unbounded = unfitted = 0
    for replicate in range(chunk * COVERAGE_CHUNK, (chunk + 1) * COVERAGE_CHUNK):
        rows = simulate_rates(
            patients,
            seed=[SEED, 2, int(100 * rate), patients, replicate],
            movement="vertical",
            rates=rate,
            teeth_per_patient=4,
            patient_sd=0.20,
        )
        try:
            row = fit_rate(rows, group=None).rates.iloc[0]
        except CannotAnswer:  # counted, and shown in the table
            unfitted += 1
            continue
        interval = fieller_reciprocal(row["rate"], row["se"], df=row["df"])
        held += interval.contains(1 / rate)
        unbounded += interval.kind == "unbounded"
    yield ["fieller", f"{rate}|{patients}", chunk, "", COVERAGE_CHUNK, held, unbounded, unfitted]


def run(path: Path, share: float) -> pd.DataFrame:
    """Compute what the file at ``path`` lacks, replicate by replicate."""
    done = set()
    if path.exists():
        kept = pd.read_csv(path, dtype={"setting": str})
        done = set(zip(kept["study"], kept["setting"], kept["replicate"], strict=True))
    jobs: list[tuple] = [
        ("payoff", str(n), r, lambda n=n, r=r: payoff(n, r))
        for n in PAST
        for r in range(max(2, round(REPLICATES * share)))
    ]
    chunks = max(1, round(COVERAGE_REPLICATES / COVERAGE_CHUNK * share))
    jobs += [
        ("fieller", f"{rate}|{n}", k, lambda rate=rate, n=n, k=k: coverage(rate, n, k))
        for rate, n in COVERAGE
        for k in range(chunks)
    ]
    with path.open("a", newline="") as file:
        writer = csv.writer(file)
        if not done:
            writer.writerow(FIELDS)
        for i, (study, setting, replicate, job) in enumerate(jobs):
            if (study, setting, replicate) in done:
                continue
            writer.writerows(list(job()))  # a replicate is written whole or not at all
            file.flush()
            if sys.stderr.isatty():
                print(f"\r{i + 1} of {len(jobs)}", end="", file=sys.stderr)
    return pd.read_csv(path, dtype={"setting": str})


def payoff_table(results: pd.DataFrame) -> pd.DataFrame:
    """Mean over replicates with Monte-Carlo standard errors; differences are paired."""
    rows = results[results["study"] == "payoff"]
    table = []
    for setting, part in rows.groupby("setting"):
        wide = part.pivot(index="replicate", columns="what", values="a")
        for what, own in part.groupby("what", sort=False):
            against = {}
            for other, label in (
                (AS_AIMED, "less than none"),
                (NAIVE_CAPPED, "less than naive"),
                (NAIVE_SIFTED, "less than sifted"),
            ):
                gain = wide[other] - wide[what]
                against[label] = gain.mean()
                against[f"{label}, MC se"] = gain.std(ddof=1) / np.sqrt(len(gain))
            table.append(
                {
                    "past patients": int(setting),
                    "plan": what,
                    "practices": len(own),
                    "new patients": len(own) * NEW_PATIENTS,
                    "shortfall": own["a"].mean(),
                    "MC se": own["a"].std(ddof=1) / np.sqrt(len(own)),
                    "within": own["b"].mean(),
                    "over": own["c"].mean(),
                    **against,
                }
            )
    return pd.DataFrame(table).sort_values("past patients", kind="stable", ignore_index=True)


def chance_table(results: pd.DataFrame, chance: str = "within") -> pd.DataFrame:
    """Stated chance against the share that landed, in tenths; standard errors over practices."""
    rows = results[results["study"] == "chances"].copy()
    rows[["option", "chance", "tenth"]] = rows["what"].str.split("|", expand=True)
    rows = rows[rows["chance"] == chance]
    table = []
    for (setting, option, tenth), part in rows.groupby(["setting", "option", "tenth"]):
        total = part["n"].sum()
        landed = part["b"].sum() / total
        wobble = part["b"] - landed * part["n"]  # practices are independent, their rows are not
        table.append(
            {
                "past patients": int(setting),
                "option": option,
                "stated": part["a"].sum() / total,
                "landed": landed,
                "MC se": float(np.sqrt((wobble**2).sum()) / total),
                "prescriptions": int(total),
                "tenth": int(tenth),
            }
        )
    order = ["past patients", "option", "tenth"]
    return pd.DataFrame(table).sort_values(order, ignore_index=True)


def overall_chances(results: pd.DataFrame) -> pd.DataFrame:
    """Stated and landed over all tenths of both prescriptions."""
    rows = results[results["study"] == "chances"]
    rows = rows[~rows["what"].str.startswith(AS_AIMED)]
    table = []
    for (setting, chance), part in rows.groupby(["setting", rows["what"].str.split("|").str[1]]):
        total = part["n"].sum()
        gap = (part["b"] - part["a"]).groupby(part["replicate"]).sum()
        table.append(
            {
                "past patients": int(setting),
                "chance": {"within": "of landing", "over": "of overshooting"}[chance],
                "stated": part["a"].sum() / total,
                "came true": part["b"].sum() / total,
                "MC se of the difference": float(np.sqrt((gap**2).sum()) / total),
                "new patients": len(gap) * NEW_PATIENTS,
            }
        )
    return pd.DataFrame(table).sort_values(["chance", "past patients"], ignore_index=True)


def draw(results: pd.DataFrame, stem: Path) -> None:
    """The reliability curve of the best-chance plans."""
    from outcomes.figures import reliability, save_figure

    table = chance_table(results)
    chosen = table[(table["option"] == BEST) & table["past patients"].isin([12, 30])]
    chosen = chosen[chosen["prescriptions"] >= 100]
    named = chosen.assign(
        se=chosen["MC se"],
        n=chosen["prescriptions"],
        series=chosen["past patients"].map("{} past patients".format),
    )
    save_figure(reliability(named, label="chance of landing"), stem, ["svg"])


def fieller_table(results: pd.DataFrame) -> pd.DataFrame:
    """Coverage with its binomial standard error, and the share without an upper limit."""
    rows = results[results["study"] == "fieller"]
    sums = rows.groupby("setting")[["n", "a", "b", "c"]].sum().reset_index()
    sums[["rate", "patients"]] = sums["setting"].str.split("|", expand=True)
    fitted = sums["n"] - sums["c"]
    covered = sums["a"] / fitted
    return pd.DataFrame(
        {
            "rate": sums["rate"].astype(float),
            "patients": sums["patients"].astype(int),
            "replicates": sums["n"],
            "covered": covered,
            "MC se": np.sqrt(covered * (1 - covered) / fitted),
            "unbounded": sums["b"] / fitted,
            "without a fit": sums["c"].astype(int),
        }
    ).sort_values(["rate", "patients"], ascending=[False, True], ignore_index=True)


def markdown(frame: pd.DataFrame) -> str:
    """A table in Markdown."""

    def cell(value: object) -> str:
        return f"{value:.3f}" if isinstance(value, float) else str(value)

    lines = ["| " + " | ".join(frame.columns) + " |", "|" + " --- |" * len(frame.columns)]
    lines += ["| " + " | ".join(map(cell, row)) + " |" for row in frame.itertuples(index=False)]
    return "\n".join(lines)


def report(results: pd.DataFrame) -> str:
    """All tables with a sentence each."""
    chances = chance_table(results)
    overshoots = chance_table(results, "over")
    return f"""# Prescriptions on known truth

Written by `benchmarks/prescriptions.py` (seed {SEED}); invented practices throughout.

## Shortfall that is left

Vertical movements, rates {RATES}, SD of the rate 0.10 between patients and 0.08 between teeth,
residual 0.22 mm, aims with SD 1 mm. A practice learns from its past patients (12 teeth each), then
treats {NEW_PATIENTS} new ones ({TEETH} teeth each) under every way of planning, with the same luck.
Shortfall is the mean of |aim - result|, mm; within and over are shares within and beyond
{TOLERANCE} mm. Where the tool declines, the aim itself is planned. "Less than" columns are paired
differences, with their Monte-Carlo standard errors over practices: "naive" is 1 / mean ratio with
the tool's own cap of 2, "sifted" the same without plans below 0.2 mm. Without the cap, a mean of
ratios near zero asks for absurd plans.

{markdown(payoff_table(results))}

## Do the stated chances come true?

All prescriptions together, both kinds, by number of past patients:

{markdown(overall_chances(results))}

With few past patients the variances themselves are uncertain. A practice that happens to
overestimate them states chances that are too low: the lowest tenths of 8 or 12 past patients land
more often than stated. From 30 on the stated chance is what comes out
(prescriptions_chances.svg, 12 and 30 past patients).

Chance of landing within {TOLERANCE} mm, as stated and as it came out, in tenths of the stated
chance. Standard errors count practices, not teeth.

{markdown(chances.drop(columns="tenth"))}

Chance of overshooting by more than {TOLERANCE} mm:

{markdown(overshoots.drop(columns="tenth"))}

## Fieller's interval of the factor

4 teeth for each patient, SD of the rate 0.20 between patients and 0.08 between teeth, residual
0.22 mm; level 95 %. "unbounded" is the share of intervals without an upper limit: the interval of
the rate reaches 0, and the tool then gives no factor. They are counted as covering when the true
factor lies in them.

{markdown(fieller_table(results))}
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a twentieth, into *_quick files")
    quick = parser.parse_args().quick
    stem = "prescriptions_quick" if quick else "prescriptions"
    results = run(HERE / f"{stem}.csv", 0.05 if quick else 1.0)
    (HERE / f"{stem}.md").write_text(report(results), encoding="utf-8")
    draw(results, HERE / f"{stem}_chances")


if __name__ == "__main__":
    main()
