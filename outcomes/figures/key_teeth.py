"""The largest movements of one patient: where each course should have ended, and where it did."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.figures.base import COLOURS, FAINT, INK, MARKERS, PAPER, QUIET, records
from outcomes.words.units import unit_symbol

__all__ = ["KEY_TEETH", "key_teeth"]

KEY_TEETH = 8
"""Movements shown in each unit."""
_GLYPHS = "●■▲◆"  # of MARKERS, in text


def key_teeth(rows: pd.DataFrame, left: pd.DataFrame, unit: str, ax: Axes) -> Axes:
    """Where each course should have brought the tooth (open) and did (filled), and the aim.

    Parameters
    ----------
    rows
        Movements of one patient.
    left
        What ``clinical.following.remaining`` says of them.
    unit
        "mm" or "degree".
    ax
        Where to draw.
    """
    keys = left[left["unit"] == unit].nlargest(KEY_TEETH, "largest")
    keys = keys.sort_values(["movement", "tooth"], kind="stable").reset_index(drop=True)
    last = (_draw_tooth(rows, key, place, ax) for place, key in enumerate(records(keys)))
    most = max(last, default=1)
    ax.set_yticks(range(len(keys)), [_name(key) for key in records(keys)], fontsize=7)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(len(keys) - 0.4, -0.6)
    ax.axvline(0, color=QUIET, lw=0.7, zorder=1)
    ax.grid(axis="y", visible=False)
    ax.set_title(f"Key movements, {unit_symbol(unit)}")
    courses = "   ".join(f"{_GLYPHS[k % len(_GLYPHS)]} course {k + 1}" for k in range(most))
    ax.set_xlabel(
        f"open: planned, filled: achieved; bar: aim ± {keys['limit'].iloc[0]:g}"
        f"{'; dotted: first aim' if (keys['aims'] > 1).any() else ''}\n{courses}",
        fontsize=7,
    )
    return ax


def _name(key: Any) -> str:
    begun = f", from course {key.begun}" if key.begun > 1 else ""
    return f"{key.tooth} {key.movement}{begun}{f', to course {key.last}' * bool(key.not_followed)}"


def _draw_tooth(rows: pd.DataFrame, key: Any, place: int, ax: Axes) -> int:
    """Draw one row of the panel; the number of its last course."""
    steps = rows[(rows["tooth"] == key.tooth) & (rows["movement"] == key.movement)]
    steps = steps[steps["course"].between(key.begun, key.last)]
    steps = steps.dropna(subset="achieved").sort_values("course")
    ended = steps["achieved"].cumsum().to_numpy(float)
    wanted = np.concatenate([[0.0], ended[:-1]]) + steps["planned"].to_numpy(float)
    ax.barh(place, 2 * key.limit, left=key.aim - key.limit, height=0.62, color=FAINT, alpha=0.35)
    upright = [place - 0.36, place + 0.36]
    ax.plot([key.aim] * 2, upright, color=INK, lw=1.6, zorder=2)
    if key.aims > 1:
        dotted: dict[str, Any] = {"lw": 1.1, "dashes": (1, 1.2), "label": "first aim"}
        ax.plot([key.first_aim] * 2, upright, color=INK, zorder=2, **dotted)
    ax.plot([0, *ended], [place + 0.12] * (len(ended) + 1), color=COLOURS[0], lw=1, zorder=2)
    for course, plan, end in zip(steps["course"], wanted, ended, strict=True):
        mark = MARKERS[(int(course) - 1) % len(MARKERS)]
        dot: dict[str, Any] = {"marker": mark, "mec": COLOURS[0], "ms": 4.2, "ls": "none"}
        ax.plot(plan, place - 0.18, mfc=PAPER, zorder=3, **dot)
        ax.plot(end, place + 0.12, mfc=COLOURS[0], zorder=3, **dot)
    return int(steps["course"].max()) if len(steps) else 1
