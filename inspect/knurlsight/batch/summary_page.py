"""The summary of a batch as one HTML file that needs nothing else, to look at, print or send."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING

from knurlsight.batch import summary_plots
from knurlsight.batch.lines import PartLine
from knurlsight.batch.summary import VERDICTS, Spread, Summary
from knurlsight.batch.summary_words import WORDS, deviation_words, mean_words, ratio_words, spread_notes
from knurlsight.reporting import figures, pictures
from knurlsight.reporting.figures import Units
from knurlsight.reporting.page_template import templates

if TYPE_CHECKING:
    from markupsafe import Markup

    from knurlsight.batch.tiles import Picture

MOST_LISTED = 2000


def html(summary: Summary, title: str, made: Sequence[tuple[PartLine, Picture]] = (), units: Units = "mm") -> str:
    """The page.

    Parameters
    ----------
    summary : Summary
    title : str
    made : sequence of (PartLine, picture)
        Tiles to show.
    units : "mm" or "in"
    """
    order = {verdict: rank for rank, verdict in enumerate(VERDICTS)}
    listed = sorted(summary.lines, key=lambda line: order[line.verdict])[:MOST_LISTED]
    return (
        templates()
        .get_template("batch_summary.html.j2")
        .render(
            version=version("knurlsight"),
            title=title,
            total=len(summary.lines),
            counts=[{"verdict": v or "none", "word": WORDS[v], "count": n} for v, n in summary.counts],
            pareto_failed=_pareto(summary.failed),
            pareto_untold=_pareto(summary.untold),
            pareto_causes=_pareto(summary.causes),
            tiles=[_tile(line, picture) for line, picture in made],
            spreads=[_spread(s, units) for s in summary.spreads],
            order="in the order in which the photos were taken" if summary.by_time else "in the order of the parts",
            chart_words=CHART_WORDS,
            listed=len(listed),
            parts=[
                {"id": p.id, "verdict": p.verdict or "none", "word": WORDS[p.verdict], "why": p.why[:3]} for p in listed
            ],
        )
    )


CHART_WORDS = (
    "Red lines are the limits of the setup, dashed ones control limits (three standard deviations, from the ranges "
    "between neighbours); a diamond marks where a run rule speaks."
)


def _pareto(counts: Sequence[tuple[str, int]]) -> Markup | None:
    return _safe(summary_plots.pareto_plot(counts)) if counts else None


def _safe(svg: str) -> Markup:
    """Drawn by us; the words in it are escaped by the one who drew it."""
    from markupsafe import Markup

    return Markup(svg)


def _tile(line: PartLine, picture: Picture) -> dict[str, str]:
    data = base64.b64encode(pictures.encoded(picture, ".jpg")).decode("ascii")
    return {"source": f"data:image/jpeg;base64,{data}", "words": f"{line.id}: {WORDS[line.verdict]}"}


def _spread(spread: Spread, units: Units) -> dict[str, object]:
    able = spread.capability
    return {
        "name": spread.name,
        "count": len(spread.values),
        "mean": mean_words(spread, units),
        "s": deviation_words(spread, units),
        "limits": figures.span(spread.lower, spread.upper, spread.unit, units),
        "pp": ratio_words(able.pp, able.pp_interval),
        "ppk": ratio_words(able.ppk, able.ppk_interval),
        "notes": spread_notes(spread),
        "histogram": _safe(summary_plots.spread_plot(spread, units)) if len(spread.values) > 1 else "",
        "run": _safe(summary_plots.run_plot(spread, units)) if len(spread.chart.points) > 1 else "",
    }
