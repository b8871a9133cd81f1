"""A hinge model of the mandible: what posterior intrusion does to the bite and the face.

When posterior teeth are intruded, the mandible closes until they meet again. In the model it is a
rigid body that turns about one centre, in the mid-sagittal plane, so far that the lower molar rises
by the intrusion. Coordinates are mm on a lateral film or its tracing: x forwards, y upwards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.paths import data_path

__all__ = ["CENTRE_FROM_CONDYLION", "Hinge", "hinge", "published_per_mm"]

CENTRE_FROM_CONDYLION = (-7.4, -16.9)
"""Mean centre of rotation from condylion, mm forwards and upwards: 7.4 behind and 16.9 below (Angle
Orthod 2018;88(5):538–544, doi:10.2319/102317-714.1)."""

REQUIRED = ("lower_molar", "lower_incisor")
OPTIONAL = ("menton", "pogonion")

_UNITS = {
    "overbite": "mm",
    "overjet": "mm",
    "lower_face_height": "mm",
    "pogonion_forwards": "mm",
    "mandibular_plane": "degree",
}
# id in shared/published_values.csv: quantity, sign; the first of a quantity stands beside the model
_PUBLISHED = {
    "lever_overbite_2018a": ("overbite", 1.0),
    "lever_overbite_2018b": ("overbite", 1.0),
    "lever_overjet_2018b": ("overjet", 1.0),
    "lever_face_2018a": ("lower_face_height", 1.0),
    "lever_menton_2018b": ("lower_face_height", -1.0),
    "lever_pogonion_2018a": ("pogonion_forwards", 1.0),
    "lever_plane_2018a": ("mandibular_plane", 1.0),
}


@dataclass(frozen=True)
class Hinge:
    """A mandible that turns about ``centre``. See ``hinge``.

    Attributes
    ----------
    centre
        Centre of rotation, (x, y) mm.
    points
        Landmark to (x, y) mm before.
    occlusal_plane
        Slope of the occlusal plane, degrees, positive where it falls forwards.
    """

    centre: tuple[float, float]
    points: Mapping[str, tuple[float, float]]
    occlusal_plane: float

    def _arm(self, name: str) -> np.ndarray:
        """From the centre to a landmark: along the occlusal plane forwards, and at right angles."""
        return _to_plane(self.occlusal_plane) @ (np.array(self.points[name]) - self.centre)

    def angle(self, intrusion: float) -> float:
        """Closing rotation in degrees that lifts the lower molar by ``intrusion`` mm.

        Parameters
        ----------
        intrusion
            Posterior intrusion at right angles to the occlusal plane, both arches added, mm;
            negative for extrusion, which opens.

        Raises
        ------
        CannotAnswer
            If the molar cannot rise so far on its circle.
        """
        return float(
            np.degrees(self._turn("lower_molar", np.asarray(intrusion, float), "An intrusion"))
        )

    def moved(self, intrusion: float) -> pd.DataFrame:
        """landmark, x, y, dx, dy (mm): where each landmark goes, x forwards and y upwards."""
        turn = np.radians(self.angle(intrusion))
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        before = np.array(list(self.points.values()))
        after = (before - self.centre) @ rotation.T + self.centre
        table = pd.DataFrame({"landmark": list(self.points)})
        table[["x", "y"]] = after
        table[["dx", "dy"]] = after - before
        return table

    def effects(self, intrusion: float) -> dict[str, float]:
        """What an intrusion changes, mm and degrees: overbite, overjet, and where there are
        landmarks lower_face_height (menton), pogonion_forwards; and mandibular_plane."""
        moved = self.moved(intrusion)
        shift = dict(zip(moved["landmark"], moved[["dx", "dy"]].to_numpy(float), strict=True))
        along, up = _to_plane(self.occlusal_plane) @ shift["lower_incisor"]
        found = {"overbite": float(up), "overjet": float(-along)}
        if "menton" in shift:
            found["lower_face_height"] = float(-shift["menton"][1])
        if "pogonion" in shift:
            found["pogonion_forwards"] = float(shift["pogonion"][0])
        found["mandibular_plane"] = -self.angle(intrusion)
        return found

    def overbite(self, intrusion: np.ndarray | float) -> np.ndarray:
        """Change of overbite in mm by intrusions (mm, as in ``angle``) of any shape.

        Raises
        ------
        CannotAnswer
            If a molar cannot rise so far on its circle.
        """
        turn = self._turn("lower_molar", np.asarray(intrusion, float), "An intrusion")
        return self._rise("lower_incisor", turn)

    def intrusion_for(self, overbite: np.ndarray | float) -> np.ndarray:
        """Posterior intrusion in mm that changes the overbite so far, mm; the inverse of
        ``overbite``. Negative for extrusion.

        Raises
        ------
        CannotAnswer
            If the lower incisor cannot rise so far on its circle.
        """
        turn = self._turn("lower_incisor", np.asarray(overbite, float), "A rise")
        return self._rise("lower_molar", turn)

    def _rise(self, name: str, turn: np.ndarray) -> np.ndarray:
        """How far a landmark rises, at right angles to the occlusal plane, by turns (radians)."""
        forward, up = self._arm(name)
        return np.asarray(forward * np.sin(turn) + up * (np.cos(turn) - 1))

    def _turn(self, name: str, rise: np.ndarray, what: str) -> np.ndarray:
        """The closing turns (radians) that lift a landmark by ``rise``; the inverse of ``_rise``."""
        up = self._arm(name)[1]
        radius = float(np.hypot(*self._arm(name)))
        if (np.abs(up + rise) > radius).any():
            raise CannotAnswer(
                f"{what} of {rise.flat[np.abs(rise).argmax()]:g} mm lies beyond the "
                f"circle of the {name.replace('_', ' ')}, {radius:.1f} mm about the centre: check "
                "the coordinates."
            )
        return np.asarray(np.arcsin((up + rise) / radius) - np.arcsin(up / radius))

    @property
    def lever(self) -> float:
        """mm of overbite per mm of posterior intrusion, for a small intrusion."""
        return float(self._arm("lower_incisor")[0] / self._arm("lower_molar")[0])

    @property
    def per_mm(self) -> pd.DataFrame:
        """Derivatives at no intrusion, beside published changes.

        quantity, unit, per_mm (of intrusion), per_degree (of closing rotation), published_per_mm,
        published_per_degree, source, doi (of the published value). Published changes are means of treated patients, whose
        molars do not meet in one point and whose lower molars can erupt; per degree the comparison
        depends on the shape of the face only.
        """
        molar = self._arm("lower_molar")[0]
        along, up = self._arm("lower_incisor")
        # A small turn moves a landmark by the angle times its arm, turned a quarter.
        by_angle = {"overbite": along, "overjet": up}
        for name, landmark, axis, sign in (
            ("lower_face_height", "menton", 0, -1.0),
            ("pogonion_forwards", "pogonion", 1, -1.0),
        ):
            if landmark in self.points:
                by_angle[name] = sign * (self.points[landmark][axis] - self.centre[axis])
        by_angle["mandibular_plane"] = -np.degrees(1.0)
        table = pd.DataFrame(
            {
                "quantity": list(by_angle),
                "unit": [_UNITS[name] for name in by_angle],
                "per_mm": [value / molar for value in by_angle.values()],
                "per_degree": [np.radians(value) for value in by_angle.values()],
            }
        )
        published = published_per_mm().drop_duplicates("quantity").drop(columns="unit")
        renamed = {"per_mm": "published_per_mm", "per_degree": "published_per_degree"}
        return table.merge(published.rename(columns=renamed), on="quantity", how="left")


def hinge(
    landmarks: Mapping[str, Sequence[float]],
    *,
    centre: Sequence[float] | None = None,
    occlusal_plane: float = 0.0,
) -> Hinge:
    """Make a hinge of cephalometric coordinates.

    Parameters
    ----------
    landmarks
        Landmark to (x, y) in mm, x forwards and y upwards: ``lower_molar`` (the cusp in contact),
        ``lower_incisor`` (the edge), ``condylion`` or ``centre``; ``menton`` and ``pogonion``
        where they are known. Others are ignored.
    centre
        Centre of rotation; by default the landmark ``centre``, else 7.4 mm behind and 16.9 mm below
        condylion, the mean of one study: single patients differ.
    occlusal_plane
        Slope of the occlusal plane against x, degrees, positive where it falls forwards. Intrusion
        and overbite are taken at right angles to it, overjet along it.

    Raises
    ------
    CannotAnswer
        If a landmark is missing or axes are reversed.

    Examples
    --------
    >>> face = {"condylion": (0, 0), "lower_molar": (47, -42), "lower_incisor": (75, -47),
    ...     "menton": (64, -93), "pogonion": (72, -85)}
    >>> model = hinge(face)
    >>> round(model.lever, 2)
    1.51
    >>> {name: round(change, 1) for name, change in model.effects(1.0).items()}
    {'overbite': 1.5, 'overjet': -0.5, 'lower_face_height': -1.3, 'pogonion_forwards': 1.2, 'mandibular_plane': -1.0}
    """
    points = {name: _point(name, landmarks[name]) for name in REQUIRED if name in landmarks}
    absent = [name for name in REQUIRED if name not in points]
    if absent:
        raise CannotAnswer(f"No landmark {', '.join(absent)}: give its x and y in mm.")
    points |= {name: _point(name, landmarks[name]) for name in OPTIONAL if name in landmarks}
    if centre is not None or "centre" in landmarks:
        middle = _point("centre", landmarks["centre"] if centre is None else centre)
    elif "condylion" in landmarks:
        x, y = _point("condylion", landmarks["condylion"])
        middle = (x + CENTRE_FROM_CONDYLION[0], y + CENTRE_FROM_CONDYLION[1])
    else:
        raise CannotAnswer("No centre of rotation: give condylion or centre.")
    model = Hinge(middle, points, float(occlusal_plane))
    _require_axes(model)
    return model


def published_per_mm() -> pd.DataFrame:
    """Published changes per mm of upper molar intrusion, from shared/published_values.csv.

    Returns
    -------
    DataFrame
        quantity, unit, per_mm, per_degree (of closing rotation, where the study gives it), source,
        doi. Menton's rise is given as a fall of lower_face_height.

    Examples
    --------
    >>> published_per_mm().query("quantity == 'overbite'")["per_mm"].tolist()
    [2.6, 2.0]
    """
    values = pd.read_csv(data_path("shared", "published_values.csv")).set_index("id")
    found = values.loc[list(_PUBLISHED)]
    quantity = [name for name, _ in _PUBLISHED.values()]
    per_mm = found["value"].astype(float).to_numpy() * [sign for _, sign in _PUBLISHED.values()]
    table = pd.DataFrame(
        {
            "quantity": quantity,
            "unit": [_UNITS[name] for name in quantity],
            "per_mm": per_mm,
            "source": found["source"].to_numpy(),
            "doi": found["doi"].to_numpy(),
        }
    )
    turned = table[table["quantity"] == "mandibular_plane"].set_index("source")["per_mm"]
    table.insert(3, "per_degree", table["per_mm"] / -table["source"].map(turned))
    return table


def _to_plane(slope: float) -> np.ndarray:
    """Matrix from (forwards, upwards) to (along the plane forwards, at right angles upwards)."""
    angle = np.radians(slope)
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


def _point(name: str, value: Sequence[float]) -> tuple[float, float]:
    pair = np.asarray(value, dtype=float)
    if pair.shape != (2,) or not np.isfinite(pair).all():
        raise CannotAnswer(f"{name} is {value!r}: give two numbers, x and y in mm.")
    return float(pair[0]), float(pair[1])


def _require_axes(model: Hinge) -> None:
    molar, incisor = model._arm("lower_molar"), model._arm("lower_incisor")
    if not 0 < molar[0] < incisor[0]:
        raise CannotAnswer(
            "The lower molar must lie in front of the centre of rotation, and the lower incisor in "
            "front of the molar: x counts forwards. Turn the sign of x if the face looks left."
        )
    below = {name: model.points[name][1] for name in OPTIONAL if name in model.points}
    wrong = [name for name, y in below.items() if y >= model.points["lower_incisor"][1]]
    if wrong or model.points["lower_molar"][1] > model.centre[1]:
        raise CannotAnswer(
            f"{' and '.join(wrong) or 'The molar'} must lie below "
            f"{'the lower incisor' if wrong else 'the centre of rotation'}: y counts upwards. Turn "
            "the sign of y if it was read off an image."
        )
