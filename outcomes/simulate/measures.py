"""Clinical measures that agree with the tooth movements of an invented cohort."""

import numpy as np
import pandas as pd

from outcomes.domain.tables import MEASURES
from outcomes.domain.teeth import CROWN_AND_ROOT
from outcomes.simulate.scenario import TOOTH_CLASS, UPPER

# Per mm of overbite opened or closed by the posterior teeth, from the published changes per mm of
# molar intrusion (overbite 2.6 mm, face height −1.7 mm, plane −2.0 degrees; Angle Orthod
# 2018;88(5):538-544).
FACE_HEIGHT_PER_OVERBITE = -1.7 / 2.6
PLANE_PER_OVERBITE = -2.0 / 2.6
OVERJET_PER_POSTERIOR = -0.6  # about 60 % for overjet, Prog Orthod 2018;19:13

MEASURE_COLUMNS = [
    "patient",
    "after_course",
    "measure",
    "tooth",
    "value",
    "unit",
    "target",
    "day",
]

READING_SD = {
    "overbite": 0.2,
    "overjet": 0.2,
    "open_bite": 0.2,
    "lower_face_height": 0.4,
    "mandibular_plane": 0.5,
    "crowding": 0.3,
    "recession": 0.15,
    "apex_to_plate": 0.2,
}
TARGET = {"overbite": 2.0, "overjet": 2.5, "open_bite": 0.0, "crowding": 0.0}

# Mean and SD at the start, mm: (overbite, overjet, crowding)
START = {
    "crowding": ((2.5, 0.9), (3.0, 0.8), (5.0, 1.5)),
    "deep bite": ((5.2, 0.8), (3.6, 0.9), (2.5, 1.2)),
    "open bite": ((-1.6, 0.8), (2.8, 0.9), (2.0, 1.2)),
    "distal occlusion": ((3.4, 0.9), (5.2, 1.0), (2.0, 1.2)),
    "spacing": ((2.4, 0.9), (3.2, 0.9), (0.0, 0.0)),
}
CROWN, ROOT = CROWN_AND_ROOT["lower"][1]


def bite_changes(rows: pd.DataFrame, lever: float) -> pd.DataFrame:
    """True vertical changes up to the end of each course, and the overbite that follows.

    Overbite change = upper incisor extrusion + lower incisor extrusion + posterior intrusion ×
    lever, each a mean over all the teeth of the group, those without a row counting as still.
    Courses without an end scan have none.
    """
    seen = rows[rows["measured"]]
    group = np.select(
        [
            (TOOTH_CLASS[seen["t"]] == 0) & UPPER[seen["t"]],
            (TOOTH_CLASS[seen["t"]] == 0) & ~UPPER[seen["t"]],
            TOOTH_CLASS[seen["t"]] == 3,
        ],
        ["upper_incisor", "lower_incisor", "posterior"],
        default="other",
    )
    vertical = seen["real"].where(seen["movement"] == "vertical", 0.0)
    sums = vertical.groupby([seen["patient"], seen["course"], group]).sum().unstack(fill_value=0)
    groups = ["upper_incisor", "lower_incisor", "posterior"]
    # Four incisors and four molars an arch; both arches' intrusion opens room for autorotation.
    moved = sums.reindex(columns=groups, fill_value=0.0) / [4.0, 4.0, -4.0]
    moved = moved.groupby(level="patient").cumsum().rename_axis(columns=None)
    moved["overbite_change"] = (
        moved["upper_incisor"] + moved["lower_incisor"] + lever * moved["posterior"]
    )
    return moved.reset_index()


def measures_table(
    rng: np.random.Generator,
    people: pd.DataFrame,
    treatment: pd.DataFrame,
    rows: pd.DataFrame,
    bite: pd.DataFrame,
) -> pd.DataFrame:
    """Measures at the start and after each course that ended with a scan, with reading error."""
    visits = _visits(people, treatment, rows, bite)
    general = _general(rng, people, visits)
    lower = _lower_incisors(rng, people, visits, rows)
    table = pd.concat([general, lower], ignore_index=True)
    sd = table["measure"].map(READING_SD)
    table["value"] = (table["value"] + rng.standard_normal(len(table)) * sd).round(1)
    floor = table["measure"].isin(["open_bite", "crowding", "recession", "apex_to_plate"])
    table["value"] = table["value"].mask(floor, table["value"].clip(lower=0.0)) + 0.0
    table["unit"] = table["measure"].map(MEASURES)
    table["target"] = table["measure"].map(TARGET)
    order = {name: i for i, name in enumerate(READING_SD)}
    table = table.assign(order=table["measure"].map(order))
    table = table.sort_values(["patient", "after_course", "order", "tooth"], ignore_index=True)
    return table[MEASURE_COLUMNS]


def _visits(
    people: pd.DataFrame, treatment: pd.DataFrame, rows: pd.DataFrame, bite: pd.DataFrame
) -> pd.DataFrame:
    """One row per patient and visit, the start included, with what has moved until then."""
    first = treatment.groupby("patient")["start"].min()
    ends = treatment.dropna(subset="end")
    later = pd.DataFrame(
        {
            "patient": ends["patient"],
            "after_course": ends["course"],
            "day": (ends["end"] - ends["patient"].map(first)).dt.days,
        }
    )
    start = pd.DataFrame({"patient": people["patient"], "after_course": 0, "day": 0})
    visits = pd.concat([start, later], ignore_index=True)
    moved = bite.merge(_overjet_and_crowding(rows), on=["patient", "course"], how="outer")
    visits = visits.merge(
        moved, left_on=["patient", "after_course"], right_on=["patient", "course"], how="left"
    )
    return visits.drop(columns="course").fillna(0.0)


def _overjet_and_crowding(rows: pd.DataFrame) -> pd.DataFrame:
    """Until the end of each course: forward movement of incisors, share of rotations resolved."""
    seen = rows[rows["measured"]]
    incisor = (TOOTH_CLASS[seen["t"]] == 0) & (seen["movement"] == "buccolingual")
    upper = seen["real"].where(incisor & UPPER[seen["t"]], 0.0)
    lower = seen["real"].where(incisor & ~UPPER[seen["t"]], 0.0)
    turned = (seen["movement"] == "rotation") & (TOOTH_CLASS[seen["t"]] <= 1)
    sign = np.sign(seen["planned"])
    wanted = (seen["aim"] * sign).where(turned & (seen["course"] == 1), 0.0)
    table = pd.DataFrame(
        {
            "patient": seen["patient"],
            "course": seen["course"],
            "forward": (upper - lower) / 4.0,
            "turned": (seen["real"] * sign).where(turned, 0.0),
            "wanted": wanted,
        }
    )
    sums = table.groupby(["patient", "course"]).sum().groupby(level="patient").cumsum()
    share = sums["turned"] / sums["wanted"].where(sums["wanted"] > 0)
    sums["resolved"] = share.clip(0.0, 1.0).fillna(0.7)
    return sums[["forward", "resolved"]].reset_index()


def _general(rng: np.random.Generator, people: pd.DataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    n = len(people)
    bounds = np.array([START[name] for name in people["malocclusion"]])
    overbite, overjet, crowding = rng.normal(bounds[..., 0], bounds[..., 1]).T
    start = pd.DataFrame(
        {
            "overbite": overbite,
            "overjet": overjet,
            "crowding": np.clip(crowding, 0.0, None),
            "lower_face_height": rng.normal(68.0, 5.0, n),
            "mandibular_plane": rng.normal(32.0, 5.0, n),
            "open": (people["malocclusion"] == "open bite").to_numpy(),
        },
        index=pd.Index(people["patient"]),
    )
    was = start.loc[visits["patient"]].reset_index(drop=True)
    posterior = visits["overbite_change"] - visits["upper_incisor"] - visits["lower_incisor"]
    now = pd.DataFrame(
        {
            "overbite": was["overbite"] + visits["overbite_change"],
            "overjet": was["overjet"]
            + visits["forward"]
            + OVERJET_PER_POSTERIOR * visits["posterior"],
            "lower_face_height": was["lower_face_height"] + FACE_HEIGHT_PER_OVERBITE * posterior,
            "mandibular_plane": was["mandibular_plane"] + PLANE_PER_OVERBITE * posterior,
            "crowding": was["crowding"] * (1.0 - visits["resolved"]),
        }
    )
    now["open_bite"] = (-now["overbite"]).clip(lower=0.0).where(was["open"])
    keys = visits[["patient", "after_course", "day"]]
    table = pd.concat([keys, now], axis=1).melt(list(keys.columns), var_name="measure")
    table = table.dropna(subset="value")
    return table.assign(tooth=pd.array([pd.NA] * len(table), dtype="Int64"))


def _lower_incisors(
    rng: np.random.Generator, people: pd.DataFrame, visits: pd.DataFrame, rows: pd.DataFrame
) -> pd.DataFrame:
    """Recession and apex-to-plate distance of the lower incisors, in a third of the patients.

    The apex goes with the crown's translation and against its torque; gum recedes a little where
    the crown moves labially.
    """
    chosen = people["patient"][rng.random(len(people)) < 1 / 3]
    teeth = np.array([42, 41, 31, 32])
    visits = visits[visits["patient"].isin(chosen)]
    table = visits[["patient", "after_course", "day"]].merge(
        pd.DataFrame({"tooth": pd.array(teeth, dtype="Int64")}), how="cross"
    )
    seen = rows[rows["measured"] & rows["tooth"].isin(teeth)]
    moved = (
        seen.pivot_table(
            index=["patient", "tooth", "course"], columns="movement", values="real", aggfunc="sum"
        )
        .reindex(columns=["buccolingual", "torque"])
        .fillna(0.0)
        .groupby(level=["patient", "tooth"])
        .cumsum()
    )
    keys = pd.MultiIndex.from_frame(table[["patient", "tooth", "after_course"]])
    # A tooth without a row in a later course has stayed where it was after the earlier one.
    now = _carried_forward(moved, keys)
    site, sites = pd.factorize(keys.droplevel(2))
    gum = rng.gamma(0.8, 0.6, len(sites))[site]
    plate = rng.normal(3.6, 0.8, len(sites))[site]
    labial = now["buccolingual"].to_numpy()
    apex = labial - (CROWN / 2 + ROOT) * np.sin(np.radians(now["torque"].to_numpy()))
    receded = gum + 0.15 * np.clip(labial, 0.0, None)
    return pd.concat(
        [
            table.assign(measure="recession", value=receded),
            table.assign(measure="apex_to_plate", value=plate - apex),
        ],
        ignore_index=True,
    )


def _carried_forward(moved: pd.DataFrame, keys: pd.MultiIndex) -> pd.DataFrame:
    """Rows of ``moved`` at (patient, tooth, after_course); zero at the start, gaps filled."""
    sites = keys.droplevel(2).unique()
    visits = range(max(keys.get_level_values(2), default=0) + 1)
    full = pd.MultiIndex.from_tuples(
        [(patient, tooth, visit) for patient, tooth in sites for visit in visits],
        names=["patient", "tooth", "course"],
    )
    now = moved.reindex(full)
    now[full.get_level_values("course") == 0] = 0.0
    return now.groupby(level=["patient", "tooth"]).ffill().reindex(keys)
