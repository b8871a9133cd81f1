"""Figures of overcorrection: factors, chances of landing, ranges, validation, courses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from matplotlib.patheffects import withStroke

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import movement_name
from outcomes.errors import InputError
from outcomes.figures.base import (
    COLOURS,
    FAINT,
    FULL_WIDTH,
    INK,
    MARKERS,
    QUIET,
    new_axes,
    records,
    set_alt_text,
    style,
    text_width,
    trim_height,
)
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.landing import best_plan, plan_for_mean
from outcomes.overcorrect.outlook import Case
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT
from outcomes.words.english import counted, listed
from outcomes.words.numbers import bare_percent
from outcomes.words.units import unit_symbol

if TYPE_CHECKING:
    from outcomes.clinical.courses import Courses
    from outcomes.overcorrect.plan import Plan
    from outcomes.overcorrect.validate import Validation

__all__ = [
    "chance_map",
    "courses_curve",
    "factors_forest",
    "landing_ranges",
    "reliability",
    "shortfall_change",
]

_HALO = [withStroke(linewidth=2.4, foreground="white")]
_WIDEST_FACTOR = 4.0
_MOST_PANELS = 6


def factors_forest(factors: pd.DataFrame, ax: Axes | None = None, cap: float = 2.0) -> Axes:
    """A row for each factor: dot and Fieller interval, hollow where it is not supported.

    Parameters
    ----------
    factors
        What ``outcomes.overcorrection`` returns.
    ax
        Where to draw; a new figure if None.
    cap
        The largest factor given out, drawn as a line.

    Raises
    ------
    InputError
        If there is no factor.

    Examples
    --------
    >>> import outcomes as oc
    >>> factors = oc.overcorrection(oc.fit_rate(oc.simulate_rates(15, seed=1)))
    >>> ax = factors_forest(factors)
    >>> ax.get_xlabel()
    'Factor: plan over aim'
    """
    if not len(factors):
        raise InputError("No factors to draw.")
    table = factors.reset_index(drop=True)
    if "movement" not in table:
        table = table.assign(movement="")
    names = [" ".join(filter(None, (row.movement, str(row.group)))) for row in records(table)]
    with style():
        own = ax is None
        ax = ax or new_axes(FULL_WIDTH, 0.9 + 0.22 * len(table))
        ax.set_xlim(0.8, _WIDEST_FACTOR + 0.1)
        ax.set_ylim(len(table) - 0.4, -0.9)
        ax.axvline(1, color=QUIET, lw=0.9, dashes=(4, 2.5), zorder=0.9)
        ax.axvline(cap, color=QUIET, lw=0.9, dashes=(1.5, 1.5), zorder=0.9)
        top = ax.get_xaxis_transform()
        for at, word in ((1, "the aim itself"), (cap, f"cap {cap:g}")):
            ax.text(at, 1.01, word, transform=top, ha="center", fontsize=7, color=QUIET)
        for place, row in enumerate(records(table)):
            _draw_factor(row, place, ax)
        _row_names(names, [_factor_words(row) for row in records(table)], ax)
        ax.set_xlabel("Factor: plan over aim")
        if own:
            trim_height(ax)
        words = [
            f"{name}: {_factor_words(row)}, {counted(row.patients, 'patient')}"
            for name, row in zip(names, records(table), strict=True)
        ]
        set_alt_text(ax, f"Overcorrection factors with intervals. {'; '.join(words)}.")
    return ax


def _draw_factor(row: Any, place: int, ax: Axes) -> None:
    supported = row.verdict != "not supported"
    # an unbounded interval runs from its upper root to infinity
    low, high = (row.high, np.inf) if row.kind == "unbounded" else (row.low, row.high)
    left, right = ax.get_xlim()
    if high > left and low < right:
        ends = [max(low, left), min(high, right)]
        ax.plot(ends, [place] * 2, color=COLOURS[0], lw=1.5, zorder=3, label="_interval")
    if high > right:
        ax.plot(right, place, ">", color=COLOURS[0], ms=4, clip_on=False, label="_beyond")
    if left <= row.factor <= right:
        face = COLOURS[0] if supported else "white"
        ax.plot(
            row.factor, place, "o", ms=5, mfc=face, mec=COLOURS[0], mew=1.1, zorder=4,
            label=str(row.group),
        )  # fmt: skip


def _factor_words(row: Any) -> str:
    if row.verdict == "not supported":
        return "not supported"
    words = f"{row.factor:.2f} ({row.low:.2f} to {row.high:.2f}) {row.verdict}"
    return words + (f", use {row.use:.2f}" if row.use < row.factor - 0.005 else "")


def _row_names(left: list[str], right: list[str], ax: Axes) -> None:
    """Names left of the rows, numbers right of them."""
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.grid(axis="y", visible=False)
    across = ax.get_yaxis_transform()
    start = -8 - max(text_width(name, 7.5) for name in left)
    for place, (name, words) in enumerate(zip(left, right, strict=True)):
        for text, x, points in ((name, 0, start), (words, 1, 8)):
            ax.annotate(
                text, (x, place), (points, 0), xycoords=across, textcoords="offset points",
                va="center_baseline", ha="left", fontsize=7.5, annotation_clip=False,
            )  # fmt: skip


# Chances ---------------------------------------------------------------------------------------------


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

    Returns
    -------
    ndarray of Axes

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
    kinds: dict[Case, list[int]] = {}
    for at, row in shown.iterrows():
        kinds.setdefault(source.case(row), []).append(int(str(at)))
    order = sorted(kinds, key=lambda case: -len(kinds[case]))[:_MOST_PANELS]
    columns = min(3, len(order))
    lines = -(-len(order) // columns)
    with style():
        if ax is None:
            width = FULL_WIDTH if columns > 1 else 4.2
            ax = new_axes(width, 2.9 * lines + 0.3, rows=lines, columns=columns)
        axes = np.ravel(np.asarray(ax, dtype=object))
        if len(axes) < len(order):
            raise InputError(f"{len(order)} kinds of teeth need as many Axes, not {len(axes)}.")
        mesh = None
        for panel, case in zip(axes, order, strict=False):
            mesh = _map_panel(plan, str(movement), case, shown.loc[kinds[case]], panel)
        for panel in axes[len(order) :]:
            panel.set_axis_off()
        figure: Any = axes[0].get_figure(root=True)
        bar = figure.colorbar(mesh, ax=list(axes), shrink=0.8, aspect=24, pad=0.02)
        bar.set_label("Chance of landing within tolerance (%)")
        bar.outline.set_linewidth(0.4)
        left_out = len(kinds) - len(order)
        figure.legend(
            *axes[0].get_legend_handles_labels(),
            loc="outside lower center",
            ncols=3,
            handlelength=3,
            title=f"{counted(left_out, 'further kind')} not drawn" if left_out else None,
        )
    return axes


def _shades() -> Any:
    """White to violet, light enough for lines and letters on it and for grey print."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("landing", ["#FFFFFF", "#DDD8EE", "#8F83C4"])


def _map_panel(plan: Plan, movement: str, case: Case, aims: pd.DataFrame, ax: Axes) -> Any:
    source, limits, rules = plan.sources[movement], plan.limits, plan.rules
    unit = str(aims["unit"].iloc[0])
    symbol = unit_symbol(unit)
    tolerance = limits.near(movement, unit)
    widest = 1.25 * max(float(aims["aim"].abs().max()), 2 * tolerance)
    tallest = rules.max_factor * widest
    outlook = source.outlook(case, tallest, source.known(case, widest / 2))
    x, y = np.linspace(0, widest, 120), np.linspace(0, tallest, 140)
    within = outlook.chances(y[:, None] + 0 * x, x[None, :] + 0 * y[:, None], tolerance).within
    mesh = ax.pcolormesh(
        x, y, 100 * within, cmap=_shades(), vmin=0, vmax=100, rasterized=True, shading="gouraud"
    )
    ax.grid(visible=False)
    lines = ax.contour(x, y, 100 * within, [50, 70, 90], colors=QUIET, linewidths=0.5)
    ax.clabel(lines, fmt="%d %%", fontsize=6)
    most = np.full(len(x) - 1, tallest)
    capped = np.minimum(most, rules.max_factor * x[1:])
    direct = plan_for_mean(outlook, x[1:], capped)
    best, _ = best_plan(outlook, x[1:], tolerance, capped, limits.over_cap)
    look: dict[str, Any] = {"path_effects": _HALO, "zorder": 3}
    ax.plot(x, x, color=INK, lw=0.9, dashes=(4, 2.5), label=AS_AIMED, **look)
    ax.plot(x[1:], direct, color=INK, lw=1.2, dashes=(1.2, 1.2), label=DIRECT, **look)
    ax.plot(x[1:], best, color=INK, lw=1.9, label=safer(limits.over_cap), **look)
    chosen: Any = plan.options[plan.options["option"] == BEST].set_index("at")
    for at, row in aims.iterrows():
        point = abs(float(chosen.loc[at, "planned"]))
        ax.plot(abs(row["aim"]), point, "o", ms=4, mfc="white", mec=INK, mew=0.9, zorder=5)
        ax.annotate(
            str(row["tooth"]), (abs(row["aim"]), point), (4, -2), textcoords="offset points",
            fontsize=6.5, va="top", path_effects=_HALO, zorder=6,
        )  # fmt: skip
    direction = str(aims["direction"].iloc[0])
    title = _case_name(case, str(aims["group"].iloc[0]), direction)
    ax.set(xlim=(0, widest), ylim=(0, tallest), title=title)
    ax.set_xlabel(f"Aim ({symbol})")
    ax.set_ylabel(f"Plan ({symbol})")
    said = []
    for at, row in aims.iterrows():
        best_row = chosen.loc[at]
        said.append(
            f"tooth {row['tooth']}: aim {abs(row['aim']):.3g}{_gap(symbol)}, plan "
            f"{abs(best_row['planned']):.3g}{_gap(symbol)}, chance {bare_percent(best_row['within'])} %"
        )
    set_alt_text(
        ax,
        f"{movement_name(movement)}, {title}: plan against aim, shaded by the chance of landing "
        f"within {tolerance:g}{_gap(symbol)}. Safer plans: {'; '.join(said)}.",
    )
    return mesh


def _gap(symbol: str) -> str:
    return symbol if symbol == "°" else f" {symbol}"


def _case_name(case: Case, group: str, direction: str) -> str:
    values = dict(case.values)
    extra = [f"{k} {v}" for k, v in values.items() if k in ("attachment", "patient")]
    words = [] if direction in group else [direction]
    return ", ".join([group if group != "all" else "all teeth", *words, *extra])


def landing_ranges(plan: Plan, movement: str, ax: Axes | None = None) -> Axes:
    """For each tooth: the aim with its tolerance, and where the safer plan should end.

    Thick bars are 80 % ranges, thin ones 95 %; dots are expected results, small crosses the plans.

    Parameters
    ----------
    plan
        What ``outcomes.prescribe`` returns.
    movement
        Which movement.
    ax
        Where to draw; a new figure if None.

    Raises
    ------
    InputError
        If the plan has no aim of that movement.
    """
    aims = plan.aims[plan.aims["movement"] == movement]
    if not len(aims):
        raise InputError(f"The plan has no aim of {movement}.")
    symbol = unit_symbol(str(aims["unit"].iloc[0]))
    several = len(plan.patients) > 1
    best: Any = plan.options[plan.options["option"] == BEST].set_index("at")
    with style():
        own = ax is None
        ax = ax or new_axes(FULL_WIDTH, 0.9 + 0.24 * len(aims))
        ax.set_ylim(len(aims) - 0.4, -0.8)
        ax.axvline(0, color=FAINT, lw=0.8, zorder=0.9)
        left, right, said = [], [], []
        for place, (at, aim) in enumerate(aims.iterrows()):
            _draw_landing(aim, best.loc[at], place, ax)
            whose = f"{aim['patient']}  " if several else ""
            left.append(whose + f"{aim['tooth']}  aim {aim['aim']:+.3g}".replace("-", "−"))
            right.append(_landing_words(best.loc[at], symbol, str(aim["verdict"])))
            said.append(f"{whose}tooth {aim['tooth']}, aim {aim['aim']:.3g}: {right[-1]}")
        _row_names(left, right, ax)
        ax.set_xlabel(
            f"{_ends(movement)}{movement_name(movement).capitalize()} ({symbol})\n"
            "│ aim, shaded: within tolerance;  × safer plan;  ○ expected result, 80 % and 95 % range"
        )
        if own:
            trim_height(ax)
        set_alt_text(
            ax,
            f"Where the {safer(plan.limits.over_cap)} of {movement_name(movement)} should end: "
            f"{'; '.join(said)}.",
        )
    return ax


def _draw_landing(aim: pd.Series, best: pd.Series, place: int, ax: Axes) -> None:
    near = float(aim["tolerance"])
    ax.add_patch(
        Rectangle(
            (aim["aim"] - near, place - 0.32), 2 * near, 0.64, facecolor="#E4E1EE", lw=0,
            label="_tolerance", zorder=1,
        )
    )  # fmt: skip
    ax.plot([aim["aim"]] * 2, [place - 0.32, place + 0.32], color=INK, lw=1.3, zorder=2)
    if pd.isna(best["planned"]):
        ax.plot(aim["aim"], place, alpha=0)  # keeps the row in view
        return
    ax.plot([best["low_95"], best["high_95"]], [place] * 2, color=COLOURS[0], lw=0.9, zorder=3)
    ax.plot([best["low_80"], best["high_80"]], [place] * 2, color=COLOURS[0], lw=3, zorder=3)
    ax.plot(best["expected"], place, "o", ms=4.5, mfc="white", mec=COLOURS[0], zorder=4)
    ax.plot(best["planned"], place, "x", ms=4, color=QUIET, zorder=4)


def _ends(movement: str) -> str:
    """What the two ends of the axis mean."""
    words = MOVEMENTS.get(movement)
    if words is None:
        return ""
    negative, positive = words.direction_in_full(-1), words.direction_in_full(1)
    gap = "   " if len(negative + positive) < 60 else "\n"
    return f"← {negative} (−){gap}{positive} (+) →\n"


def _landing_words(best: pd.Series, symbol: str, verdict: str) -> str:
    if pd.isna(best["planned"]):
        return f"no plan: {verdict}"
    number = f"{best['planned']:+.2f}" if symbol == "mm" else f"{best['planned']:+.1f}"
    return f"plan {number}{_gap(symbol)}, lands {bare_percent(best['within'])} %".replace("-", "−")


# Did it help? --------------------------------------------------------------------------------------


def shortfall_change(validation: Validation, ax: Axes | None = None) -> Axes:
    """Each patient's mean shortfall, with the others' factors against as it happened.

    Points below the line: less shortfall with factors.

    Parameters
    ----------
    validation
        What ``outcomes.validate`` returns.
    ax
        Where to draw; a new figure if None.

    Examples
    --------
    >>> import outcomes as oc
    >>> result = oc.validate(oc.fit_rate(oc.simulate_rates(15, seed=1)))
    >>> shortfall_change(result).get_xlabel()
    'Mean shortfall as it happened (°)'
    """
    table = validation.predictions
    before = (table["aim"] - table["achieved"]).abs().groupby(table["patient"]).mean()
    after = (table["aim"] - table["new_achieved"]).abs().groupby(table["patient"]).mean()
    symbol = unit_symbol(validation.unit) or "unit"
    with style():
        ax = ax or new_axes(4.4, 4.0)
        most = 1.08 * max(before.max(), after.max())
        ax.plot([0, most], [0, most], color=QUIET, lw=0.9, dashes=(4, 2.5), zorder=1)
        ax.plot(before, after, "o", ms=4, mfc=COLOURS[0], mec="white", mew=0.4, alpha=0.8)
        ax.set(xlim=(0, most), ylim=(0, most), aspect="equal")
        ax.annotate(
            "less shortfall\nwith factors", (0.97, 0.05), xycoords="axes fraction", ha="right",
            fontsize=7, color=QUIET,
        )  # fmt: skip
        ax.set_xlabel(f"Mean shortfall as it happened ({symbol})")
        ax.set_ylabel(f"With factors learnt from the others ({symbol})")
        better = int((after < before - 1e-9).sum())
        set_alt_text(
            ax,
            f"Mean shortfall of {counted(len(before), 'patient')} with factors of the other "
            f"patients against as it happened; less for {better}. {validation.sentence}",
        )
    return ax


def reliability(table: pd.DataFrame, ax: Axes | None = None, label: str = "chance") -> Axes:
    """Stated chances against the share that came true, with two standard errors.

    Parameters
    ----------
    table
        stated, landed (shares), se, n, perhaps series.
    ax
        Where to draw; a new figure if None.
    label
        What the chance is of.

    Examples
    --------
    >>> table = pd.DataFrame({"stated": [0.5, 0.9], "landed": [0.52, 0.88], "se": 0.02, "n": 90})
    >>> reliability(table).get_ylabel()
    'Came true (%)'
    """
    series = table["series"] if "series" in table else pd.Series("", index=table.index)
    with style():
        ax = ax or new_axes(4.2, 4.0)
        ax.plot([0, 100], [0, 100], color=QUIET, lw=0.9, dashes=(4, 2.5), zorder=1)
        for k, (name, part) in enumerate(table.groupby(series, sort=False)):
            ax.errorbar(
                100 * part["stated"], 100 * part["landed"], yerr=200 * part["se"],
                linestyle="none", marker=MARKERS[k % 4], color=COLOURS[k % 4], ms=4,
                elinewidth=1.1, label=str(name) or None,
            )  # fmt: skip
        ax.set(xlim=(0, 100), ylim=(0, 100), aspect="equal")
        ax.set_xlabel(f"Stated {label} (%)")
        ax.set_ylabel("Came true (%)")
        if series.nunique() > 1:
            ax.legend(loc="upper left", fontsize=7)
        words = [f"{bare_percent(r.stated)} %: {bare_percent(r.landed)} %" for r in records(table)]
        set_alt_text(ax, f"Stated {label} and the share that came true: {', '.join(words)}.")
    return ax


def courses_curve(courses: Courses, ax: Any = None) -> np.ndarray:
    """Share of the latest aim reached after each course, a panel a movement.

    Dots with intervals: all teeth measured, with the last state of whoever stopped. Dotted: what the
    first course's rate, repeated, would give.

    Parameters
    ----------
    courses
        What ``outcomes.courses`` returns.
    ax
        As many Axes as movements; a new figure if None.

    Returns
    -------
    ndarray of Axes
    """
    table = courses.overall
    movements = list(dict.fromkeys(table["movement"]))
    by = [c for c in table.columns[: list(table.columns).index("course")] if c not in ("movement",)]
    columns = min(3, len(movements))
    lines = -(-len(movements) // columns)
    with style():
        if ax is None:
            width = FULL_WIDTH if columns > 1 else 4.0
            ax = new_axes(width, 2.2 * lines + 0.2, rows=lines, columns=columns)
        axes = np.ravel(np.asarray(ax, dtype=object))
        for panel, movement in zip(axes, movements, strict=False):
            _courses_panel(table[table["movement"] == movement], str(movement), by, panel)
        for panel in axes[len(movements) :]:
            panel.set_axis_off()
    return axes


def _courses_panel(table: pd.DataFrame, movement: str, by: list[str], ax: Axes) -> None:
    key = table[by].astype(str).agg(" ".join, axis=1) if by else pd.Series("", index=table.index)
    said = []
    for k, (name, part) in enumerate(table.groupby(key, sort=False)):
        colour = COLOURS[k % 4]
        x = np.r_[0, part["course"]]
        ax.plot(x, 100 * np.r_[0, part["arithmetic"]], color=colour, lw=1, dashes=(1.2, 1.5))
        ax.plot(x, 100 * np.r_[0, part["reached"]], color=colour, lw=1.4)
        error = np.abs(part[["low", "high"]].T.to_numpy() - part["reached"].to_numpy())
        ax.errorbar(
            part["course"], 100 * part["reached"], yerr=100 * error, linestyle="none",
            marker=MARKERS[k % 4], color=colour, ms=4, elinewidth=1.1, label=str(name) or None,
        )  # fmt: skip
        parts = [f"{bare_percent(r.reached)} % after course {r.course}" for r in records(part)]
        said.append(" ".join(filter(None, (str(name), listed(parts)))))
    treated = table.groupby("course")["still_treated"].max()
    labels = [f"{c}\n{n}" for c, n in treated.items()]
    ax.set_xticks([0, *treated.index], ["", *labels])
    ax.axhline(100, color=QUIET, lw=0.9, dashes=(4, 2.5))
    ax.set_ylim(0, max(108, 100 * float(table["high"].fillna(0).max()) + 4))
    ax.set(title=movement_name(movement).capitalize(), ylabel="Share of the aim (%)")
    ax.set_xlabel("Course (patients with it below)")
    if by:
        ax.legend(loc="lower right", fontsize=6.5)
    set_alt_text(
        ax, f"{movement_name(movement).capitalize()}, share of the aim: {'; '.join(said)}."
    )
