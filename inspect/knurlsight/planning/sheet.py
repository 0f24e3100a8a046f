"""The setup sheet to hang at the lathe: one page, as HTML and as PDF."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

from knurlsight.planning.pictures import pattern_picture, tracking_picture
from knurlsight.planning.plan import Plan
from knurlsight.planning.remarks import dial_words
from knurlsight.planning.text import advice_words, wheel_words
from knurlsight.reporting.drawing import MM_PER_POINT, font_path, onto_pdf, to_svg
from knurlsight.setup_math.forms import FORMS, designation
from knurlsight.setup_math.practice import CAUTIONS, COMMON_PRACTICE, WATCH_FOR, material_group
from knurlsight.units import LengthUnit, format_length

#: Page sizes in mm: A4, and US letter for those who read inches.
PAPER_MM: dict[str, tuple[float, float]] = {"mm": (210.0, 297.0), "in": (215.9, 279.4)}
MARGIN_MM = 12.0
CAUTION_GROUND = "#f3e3c3"


@dataclass(frozen=True)
class SheetNumber:
    """One large number: what it is, in the unit asked for, and in the other."""

    name: str
    value: str
    other: str = ""


@dataclass(frozen=True)
class SheetText:
    """All words of a sheet, the same for HTML and PDF."""

    title: str
    subtitle: str
    wheels: tuple[str, ...]
    numbers: tuple[SheetNumber, ...]
    blanks: tuple[tuple[str, str, str, str], ...]
    running: tuple[tuple[str, str, str], ...]
    dial: str
    notes: tuple[str, ...]


def sheet_text(plan: Plan, unit: LengthUnit = "mm") -> SheetText:
    """Put the words and numbers of a sheet together."""
    other: LengthUnit = "mm" if unit == "in" else "in"
    request, blank, expected = plan.request, plan.blank, plan.expected
    form = FORMS[request.form]
    label = designation(request.form, plan.families[0].normal_pitch_mm, plan.families[0].profile_angle_deg)

    def length(name: str, mm: float) -> SheetNumber:
        return SheetNumber(name, format_length(mm, unit), format_length(mm, other))

    family = next(f for f in expected.families if f.hand != "ring")
    numbers = [
        length("turn the blank to, diameter", blank.blank_diameter_mm),
        length("finished, over the crests, diameter", blank.outside_diameter_mm),
        length("first bite, on the RADIUS", plan.bite_mm),
        length("full penetration, on the RADIUS", plan.penetration_mm),
        length("full penetration, on the DIAMETER", 2.0 * plan.penetration_mm),
        SheetNumber("teeth around the part", f"{blank.teeth}", _off_words(blank.mismatch)),
        length("normal pitch at the crest", family.normal_pitch_mm),
    ]
    if family.axial_pitch_mm is not None:
        numbers.append(SheetNumber("helix at the crest", f"{family.helix_deg:.1f}°", "to the axis"))
    if request.knurl_length_mm is not None:
        numbers.append(length("length of the knurl", request.knurl_length_mm))
    near = [i for i in range(plan.chosen - 1, plan.chosen + 2) if 0 <= i < len(plan.blanks)]
    blanks = tuple(
        (
            "this one" if i == plan.chosen else "",
            format_length(plan.blanks[i].blank_diameter_mm, unit),
            f"{plan.blanks[i].teeth}",
            format_length(plan.blanks[i].outside_diameter_mm, unit),
        )
        for i in near
    )
    running = tuple((a.what, advice_words(a), a.reason if a.low is not None else "") for a in plan.advice)
    return SheetText(
        title=request.name or f"{request.form} knurl on {format_length(blank.outside_diameter_mm, unit)}",
        subtitle=f"{request.form}, {form.words}" + (f" ({label})" if label else "") + f", {plan.method} rolling",
        wheels=(*(wheel_words(w) for w in request.wheels), f"holder: {plan.setup.holder.kind}"),
        numbers=tuple(numbers),
        blanks=blanks,
        running=running,
        dial=_dial(plan, unit),
        notes=(
            f"{material_words(plan)} How to run it is {COMMON_PRACTICE}: starting points, not limits.",
            f"Planned at fill {request.fill:g}. 0.01 mm (0.0004 in) on the blank is {plan.teeth_per_hundredth:.3f} of "
            "a tooth.",
            "A corrected blank is for the next part, or for turning a spoilt pattern off, which leaves the part "
            "under size.",
        ),
    )


def _dial(plan: Plan, unit: LengthUnit) -> str:
    if plan.dial is None:
        return (
            "The dial must read the penetration plus the spring of this machine, which nobody knows beforehand. Work "
            "in until the tops look as wanted, write the dial down below, and use it for the next part."
            + (f" The records do not tell it yet: {plan.dial_unknown}." if plan.dial_unknown else "")
        )
    return (
        f"The dial must read, on the RADIUS: {dial_words(plan.dial, unit)}; {plan.dial.words}. Work in from the low "
        "end and look; write down below what it came to."
    )


def material_words(plan: Plan) -> str:
    """What the ranges of practice are for."""
    if material_group(plan.request.material) is None:
        return f"The ranges are those of {plan.material.name}: no other metal was named."
    return f"The ranges are those of {plan.material.name}."


def _off_words(mismatch: float) -> str:
    return "whole" if abs(mismatch) < 0.005 else f"{mismatch:+.2f} off a whole count"


def sheet_html(plan: Plan, unit: LengthUnit = "mm") -> str:
    """The sheet as one self-contained HTML page."""
    from jinja2 import Environment, FileSystemLoader
    from markupsafe import Markup

    folder = Path(__file__).parents[1] / "reporting" / "templates"
    environment = Environment(loader=FileSystemLoader(folder), autoescape=True, trim_blocks=True, lstrip_blocks=True)
    page = environment.get_template("plan_sheet.html.j2")
    # The drawings escape their own words.
    return page.render(
        sheet=sheet_text(plan, unit),
        cautions=CAUTIONS,
        watch=WATCH_FOR,
        tracking=Markup(to_svg(tracking_picture(plan, unit))),
        pattern=Markup(to_svg(pattern_picture(plan, unit))),
        paper="letter" if unit == "in" else "A4",
    )


# --- PDF ------------------------------------------------------------------------------------------------------------


def sheet_pdf(plan: Plan, unit: LengthUnit = "mm") -> bytes:
    """The sheet as a PDF of one page; the same bytes for the same plan."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    for name, bold in (("Vera", False), ("Vera-Bold", True)):
        pdfmetrics.registerFont(TTFont(name, font_path(bold)))
    width, height = PAPER_MM[unit]
    text = sheet_text(plan, unit)
    for picture_height, watch in ((50.0, True), (50.0, False), (40.0, False)):
        out = BytesIO()
        canvas = Canvas(out, pagesize=(width / MM_PER_POINT, height / MM_PER_POINT), invariant=1)
        canvas.setTitle(text.title)
        canvas.setAuthor("knurlsight")
        page = _Page(canvas, width, height)
        bottom = _draw_page(page, plan, text, unit, picture_height, watch)
        if bottom <= height - 6.0:
            break
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def _draw_page(
    page: _Page, plan: Plan, text: SheetText, unit: LengthUnit, picture_height_mm: float, watch: bool
) -> float:
    """Draw everything from top to bottom and return how far down it went, mm."""
    from reportlab.lib.colors import HexColor

    canvas, inner = page.canvas, page.width_mm - 2.0 * MARGIN_MM
    page.words(MARGIN_MM, 17.0, page.cut(text.title, 6.0, inner), 6.0, bold=True)
    page.words(MARGIN_MM, 22.5, text.subtitle, 3.4)
    y = 27.0
    for line in page.wrapped("; ".join(text.wheels), 2.9, inner):
        page.words(MARGIN_MM, y, line, 2.9)
        y += 3.8

    y -= 1.0
    caution_lines = [line for c in CAUTIONS for line in page.wrapped(c, 2.7, inner - 6.0)]
    canvas.setFillColor(HexColor(CAUTION_GROUND))
    box = 3.6 * len(caution_lines) + 3.0
    page.box(MARGIN_MM, y, inner, box)
    for i, line in enumerate(caution_lines):
        page.words(MARGIN_MM + 3.0, y + 4.2 + 3.6 * i, line, 2.7, bold=i == 0)
    y += box + 6.0

    columns = 3
    cell = inner / columns
    for i, number in enumerate(text.numbers):
        x, top = MARGIN_MM + cell * (i % columns), y + 14.6 * (i // columns)
        page.words(x, top, number.name, 2.7)
        page.words(x, top + 6.8, number.value, 6.2, bold=True)
        if number.other:
            page.words(x, top + 10.6, number.other, 2.9)
    y += 14.6 * -(-len(text.numbers) // columns) - 1.0

    drawing = tracking_picture(plan, unit, inner, picture_height_mm)
    onto_pdf(drawing, canvas, MARGIN_MM, y, page.height_mm)
    y += drawing.height_mm + 3.0
    picture = pattern_picture(plan, unit, inner)
    onto_pdf(picture, canvas, MARGIN_MM, y, page.height_mm)
    y += picture.height_mm + 4.5

    for what, numbers, reason in text.running:
        page.words(MARGIN_MM, y, what, 2.7, bold=True)
        for line in page.wrapped(f"{numbers}: {reason}" if reason else numbers, 2.7, inner - 38.0):
            page.words(MARGIN_MM + 38.0, y, line, 2.7)
            y += 3.5
    if watch:
        y += 1.0
        for seen, cure in WATCH_FOR:
            page.words(MARGIN_MM, y, f"{seen}: {cure}", 2.7)
            y += 3.5
    y += 1.0
    for line in (line for note in (text.dial, *text.notes) for line in page.wrapped(note, 2.7, inner)):
        page.words(MARGIN_MM, y, line, 2.7)
        y += 3.5
    y += 3.5
    quarter = inner / 4.0
    for i, name in enumerate(("dial", "r/min", "feed", "measured diameter")):
        x = MARGIN_MM + quarter * i
        page.words(x, y, name, 2.7)
        page.rule(x + 2.0 + page.width_of(name, 2.7), y + 0.6, x + quarter - 4.0)
    return y


class _Page:
    """Words and rules on a canvas, in mm from the top left."""

    def __init__(self, canvas: Any, width_mm: float, height_mm: float) -> None:
        self.canvas, self.width_mm, self.height_mm = canvas, width_mm, height_mm

    def words(self, x: float, y: float, words: str, size_mm: float, bold: bool = False) -> None:
        self.canvas.setFillGray(0.0)
        self.canvas.setFont("Vera-Bold" if bold else "Vera", size_mm / MM_PER_POINT)
        self.canvas.drawString(x / MM_PER_POINT, (self.height_mm - y) / MM_PER_POINT, words)

    def box(self, x: float, y: float, width: float, height: float) -> None:
        points = [v / MM_PER_POINT for v in (x, self.height_mm - y - height, width, height)]
        self.canvas.rect(*points, stroke=0, fill=1)

    def rule(self, x0: float, y: float, x1: float) -> None:
        self.canvas.setLineWidth(0.5)
        self.canvas.setDash([])
        self.canvas.setStrokeGray(0.0)
        at = (self.height_mm - y) / MM_PER_POINT
        self.canvas.line(x0 / MM_PER_POINT, at, x1 / MM_PER_POINT, at)

    def width_of(self, words: str, size_mm: float) -> float:
        from reportlab.pdfbase.pdfmetrics import stringWidth

        return float(stringWidth(words, "Vera", size_mm / MM_PER_POINT)) * MM_PER_POINT

    def cut(self, words: str, size_mm: float, width_mm: float) -> str:
        """The words, cut to the width with three dots; bold is a seventh wider."""
        while words and self.width_of(words, size_mm) * 1.15 > width_mm:
            words = words.removesuffix("...")[:-1] + "..."
        return words

    def wrapped(self, words: str, size_mm: float, width_mm: float) -> list[str]:
        lines = [""]
        for word in words.split():
            longer = f"{lines[-1]} {word}".strip()
            if lines[-1] and self.width_of(longer, size_mm) > width_mm:
                lines.append(word)
            else:
                lines[-1] = longer
        return lines
