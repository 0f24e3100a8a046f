"""Whether a wheel wears: fill, balance and ghost ratio over the parts that it has rolled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

import numpy as np
from photoscale.quantity import Quantity

from knurlsight.batch.run_chart import LEAST_POINTS, run_chart, run_signals
from knurlsight.exchange.effects import Effect, effects
from knurlsight.exchange.inspected import Inspected, quantity
from knurlsight.verdict import FIGURE_WORDS

#: A trend needs this many parts; fewer say nothing.
LEAST_FOR_TREND = 6
SETTING = "parts rolled"
FIGURES = (FIGURE_WORDS["form_fill"], FIGURE_WORDS["balance"], FIGURE_WORDS["ghost_ratio"])
#: Signals of the chart are told when they are among the last so many points.
RECENT = 8


@dataclass(frozen=True)
class Worn:
    """One figure over the parts rolled.

    Attributes
    ----------
    name : str
    rolled : tuple of int
    figures : tuple of Quantity
    trend : Effect or None
        Change over the whole range of parts rolled, with its 95 % interval; None with too few parts.
    centre, sigma : float
        Of the control chart, from the first `LEAST_POINTS` parts; NaN with fewer.
    signals : tuple of (int, str)
        Points at which a run rule speaks.
    drifts : bool
    words : str
    """

    name: str
    rolled: tuple[int, ...]
    figures: tuple[Quantity, ...]
    trend: Effect | None
    centre: float
    sigma: float
    signals: tuple[tuple[int, str], ...]
    drifts: bool
    words: str


@dataclass(frozen=True)
class Wear:
    """A wheel's figures, and how many inspections did not say how many parts it had rolled."""

    wheel: str
    figures: tuple[Worn, ...]
    uncounted: int
    notes: tuple[str, ...]


def wear(inspections: Sequence[Inspected], wheel: str) -> Wear:
    """The trend of a wheel over its inspections.

    Notes
    -----
    The trend is a least-squares line (see `effects`); the chart is one of single values with limits from the mean
    moving range of the first points, under the rules of the Western Electric handbook (see `run_chart`).
    """
    known = [(done, done.bench.get("wheels_rolled", {}).get(wheel)) for done in inspections]
    counted = sorted(((int(n), i, done) for i, (done, n) in enumerate(known) if n is not None), key=lambda c: c[:2])
    rows: dict[str, list[tuple[int, Quantity]]] = {name: [] for name in FIGURES}
    for rolled, _, done in counted:
        for part in done.result.parts:
            ghosts = [q for f in part.families if (q := quantity(f.double_track.ghost_ratio)) is not None]
            found = (
                quantity(part.form_fill),
                quantity(part.balance),
                max(ghosts, key=lambda q: q.value, default=None),
            )
            for name, q in zip(FIGURES, found, strict=True):
                if q is not None:
                    rows[name].append((rolled, q))
    setups = {done.result.setup.content_hash for *_, done in counted if done.result.setup is not None}
    notes = []
    if len(setups) > 1:
        notes.append(f"{len(setups)} different setups are among them: part of a trend may be theirs, not the wheel's")
    uncounted = len(known) - len(counted)
    if uncounted:
        notes.append(
            f"{uncounted} inspections do not say how many parts the wheel had rolled (--record rolled={wheel}:340)"
        )
    return Wear(wheel, tuple(_worn(name, row) for name, row in rows.items()), uncounted, tuple(notes))


def _worn(name: str, row: Sequence[tuple[int, Quantity]]) -> Worn:
    rolled, figures = tuple(n for n, _ in row), tuple(q for _, q in row)
    values = np.array([q.value for q in figures])
    fitted = effects([{SETTING: float(n)} for n in rolled], figures) if len(row) >= LEAST_FOR_TREND else None
    trend = fitted.effects[0] if fitted is not None and fitted.effects else None
    first = run_chart(values[:LEAST_POINTS])
    signals = run_signals(values, first.centre, first.sigma) if len(row) >= LEAST_POINTS else ()
    recent = [words for i, words in signals if i >= len(row) - RECENT]
    drifts = (trend is not None and trend.clear) or bool(recent)
    return Worn(name, rolled, figures, trend, first.centre, first.sigma, signals, drifts, _words(row, trend, recent))


def _words(row: Sequence[object], trend: Effect | None, recent: Sequence[str]) -> str:
    if trend is None:
        return f"{len(row)} parts with this figure and different counts: too few to tell a trend ({LEAST_FOR_TREND})"
    change = f"{trend.change:+.2f} ± {trend.half_width:.2f} from {trend.low:g} to {trend.high:g} parts (95 %)"
    said = f"drifts: {change}" if trend.clear else f"no steady drift made out: {change}"
    if recent:
        said += f"; the chart speaks: {recent[-1]}"
    return said


def wear_svg(made: Wear) -> bytes:
    """The figures over the parts rolled, a panel each, with k = 2 bars, trend and control limits; the same bytes each
    time."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with matplotlib.rc_context({"svg.hashsalt": "knurlsight", "font.size": 9.0, "svg.fonttype": "path"}):
        page = Figure(figsize=(8.0, 2.6 * len(made.figures)), layout="constrained")
        FigureCanvasSVG(page)
        panels = page.subplots(len(made.figures), 1, sharex=True)
        for panel, worn in zip(panels, made.figures, strict=True):
            values, u = [q.value for q in worn.figures], [2 * q.u for q in worn.figures]
            panel.errorbar(worn.rolled, values, u, fmt="o", color="#28466e", markersize=4, capsize=2, linewidth=0.8)
            marked = [i for i, _ in worn.signals]
            panel.plot(
                [worn.rolled[i] for i in marked], [values[i] for i in marked], "x", color="#a83c00", markersize=10
            )
            if np.isfinite(worn.sigma):
                panel.axhline(worn.centre, color="#5b6269", linewidth=0.8)
                for limit in (worn.centre - 3 * worn.sigma, worn.centre + 3 * worn.sigma):
                    panel.axhline(limit, color="#5b6269", linewidth=0.8, linestyle="--")
            if worn.trend is not None:
                ends = np.array([float(worn.trend.low), float(worn.trend.high)])
                middle = float(np.mean(values)) - worn.trend.change * (np.mean(worn.rolled) - ends[0]) / np.ptp(ends)
                panel.plot(ends, [middle, middle + worn.trend.change], color="#a83c00" if worn.drifts else "#006e50")
            panel.set_ylabel(worn.name.replace(" (", "\n(").replace(" of the", "\nof the"))
            panel.set_title(worn.words, fontsize=8, loc="left")
        panels[-1].set_xlabel(f"parts rolled by wheel {made.wheel}")
        out = BytesIO()
        page.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
        return out.getvalue()
