"""Write the invented scans of this folder from ``outcomes.simulate_arch``, with fixed seeds.

Run ``python synthetic_data/scans/make.py`` to write them again in place. No real patient, person or
place; for trying things out and for tests, never for a clinical decision.
"""

import sys
from pathlib import Path

import pandas as pd

from outcomes import simulate_arch
from outcomes.simulate.arches import SimulatedArch

RESOLUTION = 0.75
"""Distance between vertices, mm: coarser than a scanner's, so that the folder stays small."""

PLANNED_NEXT = {
    11: {"rotation": -4.0, "torque": 3.0},
    12: {"rotation": 6.0, "vertical": 0.4},
    21: {"tip": 2.0, "vertical": -0.3},
    22: {"buccolingual": 0.6, "rotation": -3.0},
    23: {"mesiodistal": -0.4, "tip": -3.0},
}


def done(arch: SimulatedArch) -> dict[int, dict[str, float]]:
    """What an arch achieved, tooth by tooth."""
    return {
        int(tooth): of_it.set_index("movement")["achieved"].to_dict()
        for tooth, of_it in arch.truth.groupby("tooth")
    }


def arches() -> list[tuple[str, int, SimulatedArch]]:
    """Patient, course and arch: all teeth, a second course, a space with recession."""
    common = {"resolution": RESOLUTION, "noise": 0.02, "holes": 3}
    upper = simulate_arch("upper", seed=101, attachments=(13, 12, 22), gum_change=-0.3, **common)
    later = {
        tooth: {name: round(0.6 * value, 3) for name, value in of_it.items()}
        for tooth, of_it in PLANNED_NEXT.items()
    }
    second = simulate_arch(
        "upper", seed=101, before=done(upper), planned=PLANNED_NEXT, achieved=later, **common
    )
    lower = simulate_arch("lower", seed=102, attachments=(33, 43), gum_change=0.3, **common)
    space = simulate_arch("lower", seed=103, missing=(45,), gum_change=-0.8, **common)
    return [
        ("P001", 1, upper), ("P001", 2, second), ("P001", 1, lower), ("P002", 1, space),
    ]  # fmt: skip


def write_all(folder: Path) -> None:
    """All files of this folder but this script and what it says of itself."""
    (folder / "scans.csv").unlink(missing_ok=True)
    truth, moved = [], []
    for patient, course, arch in arches():
        arch.write(folder, patient=patient, course=course)
        truth.append(arch.truth.assign(patient=patient, course=course))
        for stage, motions in arch.moved.items():
            for tooth, matrix in motions.items():
                numbers = {f"m{i}{j}": round(matrix[i, j], 9) for i in range(3) for j in range(4)}
                moved.append(
                    {"patient": patient, "course": course, "tooth": tooth, "stage": stage} | numbers
                )
    columns = ["patient", "course", "tooth", "movement", "planned", "achieved"]
    pd.concat(truth)[columns].to_csv(folder / "truth.csv", index=False)
    pd.DataFrame(moved).to_csv(folder / "truth_motions.csv", index=False)
    (folder / "invented.md").write_text(f"{__doc__}", encoding="utf-8")


if __name__ == "__main__":
    write_all(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
