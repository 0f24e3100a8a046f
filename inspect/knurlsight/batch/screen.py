"""What the terminal says of a batch: counts, figures with their spread, what fails most, what did not pass."""

from __future__ import annotations

from collections.abc import Sequence

from knurlsight.batch.lines import PartLine
from knurlsight.batch.summary import VERDICTS, Summary, summarise
from knurlsight.batch.summary_words import WORDS, deviation_words, mean_words, ratio_words
from knurlsight.inspection import Inspection
from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units
from knurlsight.reporting.terminal import HEADS, seen_words

MOST_LISTED = 60
MOST_CAUSES = 3
#: With fewer parts a table of spreads says nothing.
LEAST_SPREAD = 3


def batch_screen(summary: Summary, wanted: int, units: Units = "mm", what: str = "photos") -> str:
    """The answer for a folder or list as text, without a final newline."""
    done = sum(count for _, count in summary.counts)
    lines = [f"  {done} of {wanted} {what}: {counts_words(summary)}"]
    lines += spread_table(summary, units)
    lines += _most(summary)
    bad = [line for line in summary.lines if line.verdict not in ("pass", None)]
    order = {verdict: rank for rank, verdict in enumerate(VERDICTS)}
    if bad:
        lines.append("")
    for line in sorted(bad, key=lambda b: (order[b.verdict], b.id))[:MOST_LISTED]:
        more = f" (and {len(line.why) - 1} more)" if len(line.why) > 1 else ""
        lines.append(f"  {line.id}  {loud(line.verdict)}  {line.why[0] if line.why else ''}{more}".rstrip())
    if len(bad) > MOST_LISTED:
        lines.append(f"  and {len(bad) - MOST_LISTED} more; --summary OUT.csv lists all")
    return "\n".join(lines)


def tray_screen(inspection: Inspection, lines: Sequence[PartLine], units: Units = "mm") -> str:
    """The verdict over the tray, then one line a part, the failed first."""
    whole = summarise(lines)
    arc = seen_words([p.pattern for p in inspection.parts])
    text = [
        f"  {HEADS[inspection.verdict]}   {arc}".rstrip(),
        f"  {len(inspection.parts)} parts: {counts_words(whole)}",
        *spread_table(whole, units),
        "",
    ]
    said = {f"{line.id}: {why}" for line in lines for why in line.why}
    text += [f"  {r}" for r in inspection.reasons if r not in said and (r not in lines[0].why if lines else True)]
    width = max([4, *(len(line.id) for line in lines)])
    for line in sorted(lines, key=lambda p: VERDICTS.index(p.verdict)):
        more = f" (and {len(line.why) - 1} more)" if len(line.why) > 1 else ""
        why = line.why[0] if line.why else ""
        text.append(f"  {line.id:{width}s} {loud(line.verdict):12s} {why}{more}".rstrip())
    if inspection.scale is not None:
        text += ["", f"  scale: {inspection.scale.source}"]
    elif inspection.parts and inspection.parts[0].no_lengths:
        text += ["", f"  scale: none; {inspection.parts[0].no_lengths}"]
    return "\n".join(text)


def counts_words(summary: Summary) -> str:
    """ "2 FAIL, 10 pass", the worst first."""
    return ", ".join(f"{count} {loud(verdict)}" for verdict, count in summary.counts) or "none"


def loud(verdict: str | None) -> str:
    """A verdict's word, a fail so that it is not overlooked."""
    return WORDS[verdict].upper() if verdict == "fail" else WORDS[verdict]


def spread_table(summary: Summary, units: Units) -> list[str]:
    """Judged figures with mean, spread and capability."""
    shown = [s for s in summary.spreads if len(s.values) >= LEAST_SPREAD and (s.lower, s.upper) != (None, None)]
    if not shown:
        return []
    rows: list[tuple[str, ...]] = [("", "parts", "mean", "std dev", "limits", "Ppk (95 %)")]
    for s in shown:
        limits = figures.span(s.lower, s.upper, s.unit, units)
        ppk = ratio_words(s.capability.ppk, s.capability.ppk_interval)
        name = s.name.replace(" of the ", ", ", 1).replace(" family", "")
        rows.append((name, str(len(s.values)), mean_words(s, units), deviation_words(s, units), limits, ppk))
    if all(row[-1] == "–" for row in rows[1:]):  # too few parts for any
        rows = [row[:-1] for row in rows]
    return ["", *_columns(rows)]


def _most(summary: Summary) -> list[str]:
    lines: list[str] = []
    for head, counts in (
        ("fails most", summary.failed),
        ("not told most", summary.untold),
        ("look at", summary.causes),
    ):
        if counts:
            named = ", ".join(f"{name} ({count})" for name, count in counts[:MOST_CAUSES])
            lines.append(f"  {head}: {named}")
    return ["", *lines] if lines else []


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return ["  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows]
