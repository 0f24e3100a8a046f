"""Plots of a batch as SVG, in ink that prints: spread against limits, run chart, Pareto."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from knurlsight.batch.summary import Spread
from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, SOFT, BLUE, RED = "#1c1f22", "#8a9199", "#28466e", "#a83c00"
MOST_BARS = 12
MOST_POINTS = 2000


def spread_plot(spread: Spread, units: Units = "mm") -> str:
    """Histogram of a figure with its limits (solid, red) and nominal value (dotted)."""
    values, scale = _shown(spread, units)
    fig, axes = _axes(3.4, 2.2)
    if np.ptp(values) > 0:
        axes.hist(values, bins=_bins(values), color="#c3ccd8", edgecolor=BLUE, linewidth=0.8)
    else:  # one bin would look as wide as the plot
        axes.vlines(values[0], 0, len(values), color=BLUE, linewidth=4)
        axes.set_ylim(bottom=0)
    for limit in (spread.lower, spread.upper):
        if limit is not None:
            axes.axvline(limit * scale, color=RED, linewidth=1.6)
    if spread.nominal is not None:
        axes.axvline(spread.nominal * scale, color=INK, linewidth=1, linestyle=":")
    axes.set_xlabel(_unit(spread, units))
    axes.set_ylabel("parts")
    axes.yaxis.set_major_locator(_whole_numbers())
    return _svg(fig)


def run_plot(spread: Spread, units: Units = "mm") -> str:
    """Run chart: points in order, centre, control limits (dashed), limits of the setup (red), signals as diamonds."""
    chart = spread.chart
    scale = _shown(spread, units)[1]
    first = max(0, len(chart.points) - MOST_POINTS)
    at = np.arange(len(chart.points))[first:] + 1
    fig, axes = _axes(5.4, 2.2)
    axes.plot(at, chart.points[first:] * scale, color=BLUE, linewidth=0.8, marker="o", markersize=2.5)
    axes.axhline(chart.centre * scale, color=INK, linewidth=0.8)
    if math.isfinite(chart.sigma):
        for limit in chart.limits:
            axes.axhline(limit * scale, color=INK, linewidth=0.9, linestyle="--")
    if chart.group == 1:
        for bound in (spread.lower, spread.upper):
            if bound is not None:
                axes.axhline(bound * scale, color=RED, linewidth=1.2)
    signals = [i for i, _ in chart.signals if i >= first]
    if signals:
        axes.plot(
            [i + 1 for i in signals], chart.points[signals] * scale, "D", markersize=6, fillstyle="none", color=RED
        )
    axes.set_xlabel("part" if chart.group == 1 else f"group of {chart.group} parts")
    axes.set_ylabel(_unit(spread, units))
    axes.xaxis.set_major_locator(_whole_numbers())
    return _svg(fig)


def pareto_plot(counts: Sequence[tuple[str, int]]) -> str:
    """What concerns most parts first, as bars with their counts."""
    shown = list(counts[:MOST_BARS])
    fig, axes = _axes(6.4, 0.5 + 0.28 * max(len(shown), 2))
    names = [name if len(name) <= 58 else name[:57] + "…" for name, _ in shown]
    bars = axes.barh(range(len(shown)), [count for _, count in shown], color="#c3ccd8", edgecolor=BLUE, linewidth=0.8)
    axes.bar_label(bars, padding=3, fontsize=8)
    axes.set_yticks(range(len(shown)), names)
    axes.invert_yaxis()
    axes.set_xlabel("parts")
    axes.xaxis.set_major_locator(_whole_numbers())
    axes.margins(x=0.1)
    return _svg(fig)


def _axes(width_in: float, height_in: float) -> tuple[Any, Axes]:
    from matplotlib.figure import Figure

    fig = Figure(figsize=(width_in, height_in), layout="constrained")
    axes = fig.add_subplot()
    axes.tick_params(labelsize=8, colors=INK)
    axes.xaxis.label.set_fontsize(8)
    axes.yaxis.label.set_fontsize(8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return fig, axes


def _whole_numbers() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(integer=True)


def _bins(values: Any) -> int:
    """As many as the square root of the number of values, at least five."""
    return int(min(40, max(5, math.sqrt(len(values)))))


def _shown(spread: Spread, units: Units) -> tuple[Any, float]:
    scale = figures.in_units(1.0, spread.unit, units)[0]
    return spread.values * scale, scale


def _unit(spread: Spread, units: Units) -> str:
    """What the numbers are in; the figure's name stands over the plots."""
    unit = figures.in_units(1.0, spread.unit, units)[1]
    return {"deg": "°", "": "ratio"}.get(unit, unit)


def _svg(fig: Any) -> str:
    """The figure as an SVG element to stand in a page, its letters as text."""
    import matplotlib

    out = io.StringIO()
    with matplotlib.rc_context({"svg.fonttype": "none", "font.family": "sans-serif", "svg.hashsalt": "knurlsight"}):
        fig.savefig(out, format="svg", transparent=True, metadata={"Date": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    # no name or link may leave the page, and several plots share it
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    return text
