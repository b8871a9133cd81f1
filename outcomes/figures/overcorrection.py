"""Overcorrection: factors, plans with what to expect of them, and whether it came true."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Rectangle

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import heading, movement_name
from outcomes.errors import InputError
from outcomes.figures.base import (
    BAND,
    CHANCES,
    COLOURS,
    FAINT,
    FULL_WIDTH,
    GUIDE,
    INK,
    PAPER,
    QUIET,
    canvas,
    halo,
    look,
    records,
    set_alt_text,
    style,
    three_in_a_line,
)
from outcomes.figures.forest import draw_interval, names_and_numbers
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.landing import best_plan, plan_for_mean
from outcomes.overcorrect.outlook import Case
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT
from outcomes.words.english import counted
from outcomes.words.numbers import bare_percent
from outcomes.words.units import unit_mark, unit_symbol

if TYPE_CHECKING:
    from outcomes.overcorrect.plan import Plan
    from outcomes.overcorrect.validate import Validation

__all__ = ["chance_map", "factors_forest", "landing_ranges", "reliability", "shortfall_change"]

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
    >>> factors_forest(factors).get_xlabel()
    'Factor: plan over aim'
    """
    if not len(factors):
        raise InputError("No factors to draw.")
    table = factors.reset_index(drop=True)
    if "movement" not in table:
        table = table.assign(movement="")
    names = [" ".join(filter(None, (row.movement, str(row.group)))) for row in records(table)]
    with canvas(ax, FULL_WIDTH, 0.9 + 0.22 * len(table), trim=True) as ax:
        ax.set_xlim(0.8, _WIDEST_FACTOR + 0.1)
        ax.set_ylim(len(table) - 0.4, -0.9)
        ax.axvline(1, zorder=0.9, **GUIDE)
        ax.axvline(cap, zorder=0.9, **GUIDE | {"dashes": (1.5, 1.5)})
        top = ax.get_xaxis_transform()
        for at, word in ((1, "the aim itself"), (cap, f"cap {cap:g}")):
            ax.text(at, 1.01, word, transform=top, ha="center", fontsize=7, color=QUIET)
        for place, row in enumerate(records(table)):
            # an unbounded interval runs from its upper root to infinity
            low, high = (row.high, np.inf) if row.kind == "unbounded" else (row.low, row.high)
            hollow = row.verdict == "not supported"
            draw_interval(low, row.factor, high, place, ax, hollow=hollow, label=str(row.group))
        numbers = [_factor_words(row) for row in records(table)]
        names_and_numbers(names, numbers, ax)
        ax.set_xlabel("Factor: plan over aim")
        words = [
            f"{name}: {number}, {counted(patients, 'patient')}"
            for name, number, patients in zip(names, numbers, table["patients"], strict=True)
        ]
        set_alt_text(ax, f"Overcorrection factors with intervals. {'; '.join(words)}.")
    return ax


def _factor_words(row: Any) -> str:
    if row.verdict == "not supported":
        return "not supported"
    words = f"{row.factor:.2f} ({row.low:.2f} to {row.high:.2f}) {row.verdict}"
    return words + (f", use {row.use:.2f}" if row.use < row.factor - 0.005 else "")


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
    kinds: dict[Case, list[int]] = {}
    for at, row in shown.iterrows():
        kinds.setdefault(source.case(row), []).append(int(str(at)))
    order = sorted(kinds, key=lambda case: -len(kinds[case]))[:_MOST_PANELS]
    with style():
        axes = three_in_a_line(ax, len(order), single=4.2, line=2.9, more=0.3)
        if len(axes) < len(order):
            raise InputError(f"{len(order)} kinds of teeth need as many Axes, not {len(axes)}.")
        mesh = None
        for panel, case in zip(axes, order, strict=False):
            mesh = _map_panel(plan, str(movement), case, shown.loc[kinds[case]], panel)
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


def _map_panel(plan: Plan, movement: str, case: Case, aims: pd.DataFrame, ax: Axes) -> Any:
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
    best, _ = best_plan(outlook, x[1:], tolerance, capped, limits.over_cap)
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
    unit = str(aims["unit"].iloc[0])
    several = len(plan.patients) > 1
    best: Any = plan.options[plan.options["option"] == BEST].set_index("at")
    with canvas(ax, FULL_WIDTH, 0.9 + 0.24 * len(aims), trim=True) as ax:
        ax.set_ylim(len(aims) - 0.4, -0.8)
        ax.axvline(0, color=FAINT, lw=0.8, zorder=0.9)
        left, right, said = [], [], []
        for place, (at, aim) in enumerate(aims.iterrows()):
            _draw_landing(aim, best.loc[at], place, ax)
            whose = f"{aim['patient']}  " if several else ""
            left.append(whose + f"{aim['tooth']}  aim {aim['aim']:+.3g}".replace("-", "−"))
            right.append(_landing_words(best.loc[at], unit, str(aim["verdict"])))
            said.append(f"{whose}tooth {aim['tooth']}, aim {aim['aim']:.3g}: {right[-1]}")
        names_and_numbers(left, right, ax)
        ax.set_xlabel(
            f"{_ends(movement)}{heading(movement)} ({unit_symbol(unit)})\n"
            "│ aim, shaded: within tolerance;  × safer plan;  ○ expected result, 80 % and 95 % range"
        )
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
            (aim["aim"] - near, place - 0.32), 2 * near, 0.64, facecolor=BAND, lw=0,
            label="_tolerance", zorder=1,
        )
    )  # fmt: skip
    ax.plot([aim["aim"]] * 2, [place - 0.32, place + 0.32], color=INK, lw=1.3, zorder=2)
    if pd.isna(best["planned"]):
        ax.plot(aim["aim"], place, alpha=0)  # keeps the row in view
        return
    ax.plot([best["low_95"], best["high_95"]], [place] * 2, color=COLOURS[0], lw=0.9, zorder=3)
    ax.plot([best["low_80"], best["high_80"]], [place] * 2, color=COLOURS[0], lw=3, zorder=3)
    ax.plot(best["expected"], place, "o", ms=4.5, mfc=PAPER, mec=COLOURS[0], zorder=4)
    ax.plot(best["planned"], place, "x", ms=4, color=QUIET, zorder=4)


def _ends(movement: str) -> str:
    """What the two ends of the axis mean."""
    words = MOVEMENTS.get(movement)
    if words is None:
        return ""
    negative, positive = words.direction_in_full(-1), words.direction_in_full(1)
    gap = "   " if len(negative + positive) < 60 else "\n"
    return f"← {negative} (−){gap}{positive} (+) →\n"


def _landing_words(best: pd.Series, unit: str, verdict: str) -> str:
    if pd.isna(best["planned"]):
        return f"no plan: {verdict}"
    plan = f"{best['planned']:+.{2 if unit == 'mm' else 1}f}".replace("-", "−")
    return f"plan {plan}{unit_mark(unit)}, lands {bare_percent(best['within'])} %"


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
    with canvas(ax, 4.4, 4.0) as ax:
        most = 1.08 * max(before.max(), after.max())
        ax.plot([0, most], [0, most], zorder=1, **GUIDE)
        ax.plot(before, after, "o", ms=4, mfc=COLOURS[0], mec=PAPER, mew=0.4, alpha=0.8)
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
    with canvas(ax, 4.2, 4.0) as ax:
        ax.plot([0, 100], [0, 100], zorder=1, **GUIDE)
        for k, (name, part) in enumerate(table.groupby(series, sort=False)):
            ax.errorbar(
                100 * part["stated"], 100 * part["landed"], yerr=200 * part["se"],
                linestyle="none", ms=4, elinewidth=1.1, label=str(name) or None, **look(k),
            )  # fmt: skip
        ax.set(xlim=(0, 100), ylim=(0, 100), aspect="equal")
        ax.set(xlabel=f"Stated {label} (%)", ylabel="Came true (%)")
        if series.nunique() > 1:
            ax.legend(loc="upper left", fontsize=7)
        words = [f"{bare_percent(r.stated)} %: {bare_percent(r.landed)} %" for r in records(table)]
        set_alt_text(ax, f"Stated {label} and the share that came true: {', '.join(words)}.")
    return ax
