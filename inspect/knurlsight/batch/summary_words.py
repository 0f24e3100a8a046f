"""A batch's figures in words, the same on the terminal and in the page."""

from __future__ import annotations

import math

from photoscale.quantity import Quantity

from knurlsight.batch.summary import Spread
from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units

WORDS = {
    "pass": "pass",
    "fail": "fail",
    "cannot_tell": "cannot tell",
    "missing": "missing",
    "unreadable": "unreadable",
    None: "measured",
}
MOST_SIGNALS = 6


def mean_words(spread: Spread, units: Units) -> str:
    """Mean with the uncertainty of one value: what the parts share, such as the scale, does not average out."""
    return figures.measured(Quantity(spread.mean, spread.u, spread.unit), units)


def deviation_words(spread: Spread, units: Units) -> str:
    """The standard deviation to three digits, or a dash for a single part."""
    if not math.isfinite(spread.s):
        return "–"
    shown, unit = figures.in_units(spread.s, spread.unit, units)
    return figures.with_unit(f"{shown:.3g}", unit)


def ratio_words(value: float | None, interval: tuple[float, float] | None) -> str:
    """ "1.33 (1.10 to 1.56)", or a dash."""
    return f"{value:.2f} ({interval[0]:.2f} to {interval[1]:.2f})" if value is not None and interval else "–"


def spread_notes(spread: Spread) -> list[str]:
    """What must be known beside the numbers."""
    notes = []
    able, chart = spread.capability, spread.chart
    if able.ppk is None and able.why != "no limit":
        notes.append(f"No capability figure: {able.why}.")
    if spread.measuring_share > 0.25:
        share = figures.percent(spread.measuring_share)
        notes.append(
            f"The measuring alone may account for {share} of this variance: the parts are better than it looks."
        )
    if math.isnan(chart.sigma):
        notes.append(f"No control limits: {len(chart.points)} points, 20 are wanted.")
    said = [f"{i + 1}: {words}" for i, words in chart.signals[:MOST_SIGNALS]]
    if said:
        more = f"; and {len(chart.signals) - MOST_SIGNALS} more" if len(chart.signals) > MOST_SIGNALS else ""
        notes.append(f"Run rules speak at {'; '.join(said)}{more}.")
    return notes
