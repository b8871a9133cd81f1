"""Aim against plan, shaded by the chance of landing within tolerance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap

from outcomes.domain.names import movement_name
from outcomes.errors import InputError
from outcomes.figures.base import (
    CHANCES,
    GUIDE,
    INK,
    PAPER,
    QUIET,
    halo,
    set_alt_text,
    style,
    three_in_a_line,
)
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.landing import best_plan, plan_for_mean
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT
from outcomes.overcorrect.sources import Case
from outcomes.words.english import counted
from outcomes.words.numbers import bare_percent
from outcomes.words.units import unit_mark, unit_symbol

if TYPE_CHECKING:
    from outcomes.overcorrect.plan import Plan

_MOST_PANELS = 6


def chance_map(plan: Plan, movement: str | None = None, ax: Any = None) -> np.ndarray:
    """Aim against plan, shaded by the chance of landing within tolerance, a panel a kind of tooth.

    Lines: the aim itself, aim / rate, and the safer plan; points are the aims of the
    plan with the tooth's number.

    Parameters
    ----------
    plan
        What ``outcomes.prescribe`` returns.
    movement
        Which movement; the first with numbers by default.
    ax
        As many Axes as there are kinds of teeth, at most 6; a new figure if None.

    Raises
    ------
    InputError
        If no aim of the movement has numbers.
    """
    planned = plan.options.loc[(plan.options["option"] == BEST) & plan.options["planned"].notna()]
    shown = plan.aims[plan.aims.index.isin(planned["at"])]
    if movement is None and len(shown):
        movement = str(shown["movement"].iloc[0])
    shown = shown[shown["movement"] == movement]
    if not len(shown):
        raise InputError(
            f"No aim of {movement or 'any movement'} has a plan: none has a supported factor."
        )
    source = plan.sources[str(movement)]
    kinds: dict[tuple[Case, float], list[int]] = {}
    for at, row in shown.iterrows():
        kind = (source.case(row), float(row["over_cap"]))
        kinds.setdefault(kind, []).append(int(str(at)))
    order = sorted(kinds, key=lambda kind: -len(kinds[kind]))[:_MOST_PANELS]
    with style():
        axes = three_in_a_line(ax, len(order), single=4.2, line=2.9, more=0.3)
        if len(axes) < len(order):
            raise InputError(f"{len(order)} kinds of teeth need as many Axes, not {len(axes)}.")
        mesh = None
        for panel, kind in zip(axes, order, strict=False):
            mesh = _map_panel(plan, str(movement), kind, shown.loc[kinds[kind]], panel)
        figure: Any = axes[0].get_figure(root=True)
        bar = figure.colorbar(mesh, ax=list(axes), shrink=0.8, aspect=24, pad=0.02)
        bar.set_label("Chance of landing within tolerance (%)")
        bar.outline.set_linewidth(0.4)
        left_out = len(kinds) - len(order)
        figure.legend(
            *axes[0].get_legend_handles_labels(), loc="outside lower center", ncols=3,
            handlelength=3,
            title=f"{counted(left_out, 'further kind')} not drawn" if left_out else None,
        )  # fmt: skip
    return axes


def _map_panel(
    plan: Plan, movement: str, kind: tuple[Case, float], aims: pd.DataFrame, ax: Axes
) -> Any:
    case, over_cap = kind
    source, limits, rules = plan.sources[movement], plan.limits, plan.rules
    unit = str(aims["unit"].iloc[0])
    symbol, mark = unit_symbol(unit), unit_mark(unit)
    tolerance = limits.near(movement, unit)
    widest = 1.25 * max(float(aims["aim"].abs().max()), 2 * tolerance)
    tallest = rules.max_factor * widest
    outlook = source.outlook(case, tallest, source.known(case, widest / 2))
    x, y = np.linspace(0, widest, 120), np.linspace(0, tallest, 140)
    within = outlook.chances(y[:, None] + 0 * x, x[None, :] + 0 * y[:, None], tolerance).within
    shades = LinearSegmentedColormap.from_list("landing", CHANCES)
    mesh = ax.pcolormesh(
        x, y, 100 * within, cmap=shades, vmin=0, vmax=100, rasterized=True, shading="gouraud"
    )
    ax.grid(visible=False)
    lines = ax.contour(x, y, 100 * within, [50, 70, 90], colors=QUIET, linewidths=0.5)
    ax.clabel(lines, fmt="%d %%", fontsize=6)
    most = np.full(len(x) - 1, tallest)
    capped = np.minimum(most, rules.max_factor * x[1:])
    direct = plan_for_mean(outlook, x[1:], capped)
    best, _ = best_plan(outlook, x[1:], tolerance, capped, over_cap)
    over: dict[str, Any] = {"color": INK, "path_effects": halo(), "zorder": 3}
    ax.plot(x, x, label=AS_AIMED, **GUIDE | over)
    ax.plot(x[1:], direct, lw=1.2, dashes=(1.2, 1.2), label=DIRECT, **over)
    ax.plot(x[1:], best, lw=1.9, label=safer(limits.over_cap), **over)
    chosen: Any = plan.options[plan.options["option"] == BEST].set_index("at")
    said = []
    for at, row in aims.iterrows():
        aim, point = abs(row["aim"]), abs(float(chosen.loc[at, "planned"]))
        ax.plot(aim, point, "o", ms=4, mfc=PAPER, mec=INK, mew=0.9, zorder=5)
        ax.annotate(
            str(row["tooth"]), (aim, point), (4, -2), textcoords="offset points",
            fontsize=6.5, va="top", path_effects=halo(), zorder=6,
        )  # fmt: skip
        said.append(
            f"tooth {row['tooth']}: aim {aim:.3g}{mark}, plan {point:.3g}{mark}, chance "
            f"{bare_percent(chosen.loc[at, 'within'])} %"
        )
    direction = str(aims["direction"].iloc[0])
    title = _case_name(case, str(aims["group"].iloc[0]), direction)
    ax.set(xlim=(0, widest), ylim=(0, tallest), title=title)
    ax.set(xlabel=f"Aim ({symbol})", ylabel=f"Plan ({symbol})")
    set_alt_text(
        ax,
        f"{movement_name(movement)}, {title}: plan against aim, shaded by the chance of landing "
        f"within {tolerance:g}{mark}. Safer plans: {'; '.join(said)}.",
    )
    return mesh


def _case_name(case: Case, group: str, direction: str) -> str:
    extra = [f"{k} {v}" for k, v in dict(case.values).items() if k in ("attachment", "patient")]
    words = [] if direction in group else [direction]
    return ", ".join([group if group != "all" else "all teeth", *words, *extra])
