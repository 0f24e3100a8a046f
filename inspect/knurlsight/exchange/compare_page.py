"""Test cuts side by side, to read: on the screen, and as one HTML page with the pictures in a row."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from knurlsight.exchange.effects import Effect
from knurlsight.exchange.part_picture import part_close_up, smaller
from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units
from knurlsight.reporting.page_template import templates

if TYPE_CHECKING:
    from knurlsight.exchange.compare import Comparison, Cut, Difference

VERDICT_WORDS = {"pass": "PASS", "fail": "FAIL", "cannot_tell": "CANNOT TELL", None: "measured"}
THUMB_PX = 520


def comparison_text(made: Comparison, units: Units = "mm") -> str:
    """The comparison for a terminal."""
    lines = [f"  {cut.name}: {cut.title}, {VERDICT_WORDS[cut.part.verdict]}" for cut in made.cuts]
    lines += ["", "  settings that differ"]
    lines += [f"    {name}: {' | '.join(values)}" for name, values in made.settings] or ["    none is written down"]
    lines += ["", "  differences from cut 1 larger than their uncertainty (k = 2)"]
    large = [
        f"    {row.name}, cut {cut.name}: {difference_words(d, units)}"
        for row in made.rows
        for cut, d in zip(made.cuts, row.differences, strict=True)
        if d is not None and d.exceeds
    ]
    lines += large or ["    none"]
    if made.effects:
        lines += ["", "  effects of the settings (95 % intervals)"]
    for name, of_figure in made.effects:
        lines += [f"    {name}, {effect_words(e, units, unit_of_row(made, name))}" for e in of_figure.effects]
    lines += [f"  ({words})" for words in dict.fromkeys(of.words for _, of in made.effects) if words]
    lines += ["", *(f"  note: {note}" for note in made.notes)]
    return "\n".join(lines)


def comparison_html(made: Comparison, units: Units = "mm") -> str:
    """The comparison as one page that needs nothing else."""
    return (
        templates()
        .get_template("compare.html.j2")
        .render(
            cuts=[
                {
                    "name": cut.name,
                    "title": cut.title,
                    "verdict": VERDICT_WORDS[cut.part.verdict],
                    "kind": cut.part.verdict or "none",
                    "picture": _picture(cut),
                }
                for cut in made.cuts
            ],
            settings=made.settings,
            rows=[
                {
                    "name": row.name,
                    "cells": [
                        {
                            "figure": figures.measured(q, units),
                            "change": difference_words(d, units) if d is not None and d.exceeds else "",
                            "better": d.better if d is not None else "",
                        }
                        for q, d in zip(row.figures, row.differences, strict=True)
                    ],
                }
                for row in made.rows
            ],
            effects=[
                (name, of.words, [(effect_words(e, units, unit_of_row(made, name)), e.clear) for e in of.effects])
                for name, of in made.effects
                if of.effects or of.words
            ],
            notes=made.notes,
        )
    )


def comparison_png(made: Comparison) -> bytes:
    """The pictures of the cuts in a row, each with its name and verdict under it."""
    from io import BytesIO

    from PIL import Image, ImageDraw, ImageFont

    from knurlsight.exchange.report_pdf import font_files

    font = ImageFont.truetype(str(font_files()[0]), 18)
    gap, foot = 12, 60
    height = THUMB_PX + foot
    sheet = Image.new("RGB", (len(made.cuts) * (THUMB_PX + gap) + gap, height + 2 * gap), "white")
    pen = ImageDraw.Draw(sheet)
    for i, cut in enumerate(made.cuts):
        left = gap + i * (THUMB_PX + gap)
        data = _jpeg(cut)
        if data is not None:
            with Image.open(BytesIO(data)) as shown:
                shown.thumbnail((THUMB_PX, THUMB_PX))
                place = (left + (THUMB_PX - shown.width) // 2, gap + (THUMB_PX - shown.height) // 2)
                sheet.paste(shown, place)
        words = [f"{cut.name}: {cut.title}"[:52], VERDICT_WORDS[cut.part.verdict]]
        for line, text in enumerate(words):
            pen.text((left, gap + THUMB_PX + 6 + 24 * line), text, fill="black", font=font)
    out = BytesIO()
    sheet.save(out, "PNG")
    return out.getvalue()


def difference_words(d: Difference, units: Units) -> str:
    """ "+0.12 ± 0.04 mm, better"."""
    sign = "+" if d.quantity.value > 0 else ""
    return f"{sign}{figures.measured(d.quantity, units)}" + (f", {d.better}" if d.better else "")


def effect_words(e: Effect, units: Units, unit: str) -> str:
    """One effect in a line, and whether it is more than doubt."""
    from photoscale.quantity import Quantity

    change = figures.measured(Quantity(e.change, e.half_width / 2, unit), units)
    low, high = (v if isinstance(v, str) else f"{v:g}" for v in (e.low, e.high))
    return f"{e.setting} from {low} to {high}: {change}" + ("" if e.clear else " (may be none)")


def unit_of_row(made: Comparison, name: str) -> str:
    """The unit of a figure of the comparison."""
    row = next(row for row in made.rows if row.name == name)
    return next((q.unit for q in row.figures if q is not None), "")


def _jpeg(cut: Cut) -> bytes | None:
    name = cut.done.result.photos[0].file if cut.done.result.photos else cut.title
    if cut.done.photo is not None:
        return part_close_up(cut.done.photo, cut.part, name, THUMB_PX)
    return smaller(cut.done.picture, name, THUMB_PX) if cut.done.picture is not None else None


def _picture(cut: Cut) -> str:
    data = _jpeg(cut)
    return "" if data is None else "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")
