"""Write varying_cohort.csv, invented: rates that vary within patients. Run once; seed 20261125."""

from pathlib import Path

import numpy as np

from outcomes.simulate import simulate_rates

rows = simulate_rates(
    24,
    seed=20261125,
    teeth_per_patient=9,
    rows_per_tooth=3,
    varying={"course": 0.12, "direction": 0.10, "tooth_class": 0.08},
)
rng = np.random.default_rng(20261125)
rows = rows[rng.random(len(rows)) > 0.15]  # unbalanced
rows = rows.assign(
    direction=np.where(rows["planned"] < 0, "negative", "positive"),
    planned=rows["planned"].round(2),
    achieved=rows["achieved"].round(2),
)
rows = rows[rows["planned"] != 0].drop(columns=["movement", "attachment"])
if __name__ == "__main__":
    rows.to_csv(Path(__file__).with_name("varying_cohort.csv"), index=False)
