"""The inspection report to print, sign and send: a PDF with one page a part, the same bytes for the same records."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from knurlsight.errors import ExchangeError
from knurlsight.exchange import report_words as words
from knurlsight.exchange.inspected import Inspected, check_name, unit_of
from knurlsight.exchange.part_picture import part_close_up, smaller
from knurlsight.exchange.report_words import JobSheet
from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units

if TYPE_CHECKING:
    from knurlsight.result import CheckRecord, PartRecord

FONT, BOLD = "DejaVuSans", "DejaVuSans-Bold"
MARGIN_MM = 14.0
PICTURE_HEIGHT_MM = 62.0


def report_pdf(inspections: Sequence[Inspected], sheet: JobSheet | None = None, units: Units = "mm") -> bytes:
    """One page for every part of every inspection; a photo in which no part was found has a page, too.

    Parameters
    ----------
    inspections : sequence of Inspected
    sheet : JobSheet, optional
    units : {"mm", "in"}
        Of the lengths to read; inches come on letter paper.

    Raises
    ------
    ExchangeError
        There is no inspection to report, or a picture cannot be read.
    PhotoError
        A photo cannot be read.
    """
    from reportlab.lib.pagesizes import A4, letter
    from reportlab.lib.units import mm
    from reportlab.platypus import BaseDocTemplate, Frame, KeepInFrame, PageBreak, PageTemplate

    if not inspections:
        raise ExchangeError("there is no inspection to report", hint="knurlsight inspect … --job attaches one")
    _register_fonts()
    width, height = letter if units == "in" else A4
    inner = width - 2 * MARGIN_MM * mm, height - 2 * MARGIN_MM * mm - 9 * mm
    sheet = sheet or JobSheet()
    pages = [(done, part) for done in inspections for part in done.result.parts or (None,)]
    out = BytesIO()
    document = BaseDocTemplate(out, pagesize=(width, height), invariant=1)
    document.title = "Knurl inspection" + (f", job {inspections[0].job}" if inspections[0].job else "")
    document.author = document.creator = f"knurlsight {inspections[0].result.tool_version}"
    frame = Frame(MARGIN_MM * mm, MARGIN_MM * mm + 9 * mm, *inner, 0, 0, 0, 0)

    def foot(canvas: Any, page: Any) -> None:
        done = pages[page.page - 1][0]
        canvas.setFont(FONT, 6)
        canvas.setFillGray(0.25)
        lines = [f"knurlsight {done.result.tool_version}; page {page.page} of {len(pages)}"]
        if done.record_hash:
            lines.append(f"record {done.record_hash}")
        if sheet.head:
            lines.append(f"job head {sheet.head} when printed (knurlsight job verify --head tells later changes)")
        for number, line in enumerate(reversed(lines)):
            canvas.drawString(MARGIN_MM * mm, MARGIN_MM * mm - 2 * mm + number * 2.8 * mm, line)

    document.addPageTemplates(PageTemplate(frames=[frame], onPage=foot))
    story: list[Any] = []
    for done, part in pages:
        story.append(KeepInFrame(*inner, _page(done, part, sheet, units, inner[0]), mode="shrink"))
        story.append(PageBreak())
    document.build(story[:-1])
    return out.getvalue()


def _page(done: Inspected, part: PartRecord | None, sheet: JobSheet, units: Units, width: float) -> list[Any]:
    from reportlab.lib.units import mm
    from reportlab.platypus import Spacer

    result = done.result
    verdict = part.verdict if part is not None else result.verdict
    reasons = part.reasons if part is not None else result.reasons
    story = [
        _text(f"Knurl inspection: {words.title(done, part, sheet)}", "head"),
        _facts(done, sheet, width),
        Spacer(1, 2 * mm),
    ]
    story.append(_verdict(verdict, [*words.why(verdict, reasons, part), *words.seen(part)], width))
    story += [Spacer(1, 2.5 * mm), *_pictures(done, part, width), Spacer(1, 2 * mm)]
    if part is not None:
        if part.checks:
            story.append(_checks(part.checks, units, width))
            if any(words.DEFAULT_LIMIT in check.words for check in part.checks):
                story.append(_text("* limit by default; the setup states the others", "small"))
            story.append(Spacer(1, 2 * mm))
        story += _other_figures(part, units, width)
        for cause in part.causes[: words.MOST_CAUSES]:
            story.append(_text(f"Look at ({cause.likelihood}): {cause.cause}: {cause.remedy}"))
    for note in words.notes(done)[: words.MOST_NOTES]:
        story.append(_text(f"Note: {note}", "small"))
    story += [Spacer(1, 2 * mm), _limits_of_use(width), Spacer(1, 7 * mm), _signatures(width)]
    return story


def _facts(done: Inspected, sheet: JobSheet, width: float) -> Any:
    rows = words.fact_rows(done, sheet)
    cells = [_text(f"<b>{escape(n)}</b> {escape(v)}", "small", markup=True) for n, v in rows]
    columns = 3
    cells += [_text("", "small")] * (-len(cells) % columns)
    return _table([cells[i : i + columns] for i in range(0, len(cells), columns)], [width / columns] * columns, ())


def _verdict(verdict: str | None, why: Sequence[str], width: float) -> Any:
    from reportlab.lib.colors import HexColor, white
    from reportlab.platypus import Paragraph

    lines = "<br/>".join(escape(line) for line in why)
    cells = [[Paragraph(words.WORDS[verdict], _styles()["verdict"]), Paragraph(lines, _styles()["why"])]]
    share = 0.24 if len(words.WORDS[verdict]) < 9 else 0.34
    look = [
        ("BACKGROUND", (0, 0), (0, 0), HexColor(words.COLOURS[verdict])),
        ("BOX", (0, 0), (-1, -1), 1.2, HexColor(words.COLOURS[verdict])),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("TEXTCOLOR", (0, 0), (0, 0), white),
        ("LEFTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
    ]
    return _table(cells, [share * width, (1 - share) * width], look)


def _pictures(done: Inspected, part: PartRecord | None, width: float) -> list[Any]:
    from reportlab.lib.units import mm
    from reportlab.platypus import Image

    name = done.result.photos[0].file if done.result.photos else "picture"
    shown = []
    if done.picture is not None:
        shown.append(smaller(done.picture, name))
    elif done.photo is not None:
        shown.append(smaller(done.photo, name))
    if done.photo is not None and part is not None:
        shown.append(part_close_up(done.photo, part, name))
    if not shown:
        return [_text("No picture is kept with this inspection.", "small")]
    room = (width - 4 * mm * (len(shown) - 1)) / len(shown)
    images = []
    for data in shown:
        image = Image(BytesIO(data))
        k = min(room / image.imageWidth, PICTURE_HEIGHT_MM * mm / image.imageHeight)
        image.drawWidth, image.drawHeight = k * image.imageWidth, k * image.imageHeight
        images.append(image)
    look = [("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("ALIGN", (0, 0), (-1, -1), "CENTER")]
    return [_table([images], [width / len(shown)] * len(shown), look)]


def _checks(checks: Sequence[CheckRecord], units: Units, width: float) -> Any:
    from reportlab.lib.colors import HexColor

    rows = [[_text(h, "th") for h in ("figure", "measured (k = 2)", "wanted", "limits", "verdict")]]
    look: list[Any] = [("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor("#c9cdd1"))]
    for check in checks:
        unit = unit_of(check.name)
        word = _text(
            f'<font color="{words.COLOURS[check.verdict]}"><b>{words.MARKS[check.verdict]}</b></font>',
            "cell",
            markup=True,
        )
        rows.append(
            [
                _text(check_name(check), "cell"),
                _text(words.found_words(check, units), "cell"),
                _text(figures.plain(check.nominal, unit, units) if check.nominal is not None else "", "cell"),
                _text(words.limits_words(check, units), "cell"),
                word,
            ]
        )
    return _table(rows, [share * width for share in (0.33, 0.23, 0.12, 0.17, 0.15)], look, repeat=1)


def _other_figures(part: PartRecord, units: Units, width: float) -> list[Any]:
    from reportlab.lib.units import mm
    from reportlab.platypus import Spacer

    named = words.other_figures(part, units)
    cells = [_text(f"{escape(n)} <b>{escape(v)}</b>", "small", markup=True) for n, v in named]
    if not cells:
        return []
    cells += [_text("", "small")] * (len(cells) % 2)
    table = _table([cells[i : i + 2] for i in range(0, len(cells), 2)], [width / 2] * 2, ())
    return [_text(words.other_figures_title(part), "th"), table, Spacer(1, 2 * mm)]


def _limits_of_use(width: float) -> Any:
    from reportlab.lib.colors import HexColor

    lines = [_text(words.CAUTION, "bold"), *(_text(line, "small") for line in words.LIMITS_OF_USE)]
    look = [("BOX", (0, 0), (-1, -1), 0.8, HexColor("#1c1f22")), ("LEFTPADDING", (0, 0), (-1, -1), 5)]
    return _table([[line] for line in lines], [width], look)


def _signatures(width: float) -> Any:
    from reportlab.lib.colors import black

    names = ("inspected by", "date", "released by", "date")
    share = (0.32, 0.14, 0.32, 0.14)
    cells: list[Any] = []
    look: list[Any] = []
    widths: list[float] = []
    for i, (name, part) in enumerate(zip(names, share, strict=True)):
        cells.append(_text(name, "small"))
        widths.append(part * width)
        look.append(("LINEABOVE", (2 * i, 0), (2 * i, 0), 0.6, black))
        if i < len(names) - 1:
            cells.append("")
            widths.append((1 - sum(share)) / 3 * width)
    return _table([cells], widths, look)


# --- setting words ---------------------------------------------------------------------------------------------------


def font_files() -> tuple[Path, Path]:
    """DejaVu Sans, plain and bold, as matplotlib carries it; found without importing matplotlib."""
    spec = find_spec("matplotlib")
    if spec is None or not spec.submodule_search_locations:
        raise ExchangeError("matplotlib, whose fonts the report needs, is not installed", hint="pip install matplotlib")
    folder = Path(spec.submodule_search_locations[0]) / "mpl-data/fonts/ttf"
    return folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf"


def _register_fonts() -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    # anew each time: a font object numbers its subsets by use, and the bytes must not depend on the report before
    for name, path in zip((FONT, BOLD), font_files(), strict=True):
        pdfmetrics.registerFont(TTFont(name, str(path)))
    pdfmetrics.registerFontFamily(FONT, normal=FONT, bold=BOLD, italic=FONT, boldItalic=BOLD)


@cache
def _styles() -> dict[str, Any]:
    from reportlab.lib.colors import HexColor, white
    from reportlab.lib.styles import ParagraphStyle

    base = ParagraphStyle("base", fontName=FONT, fontSize=8, leading=10)
    return {
        "base": base,
        "head": ParagraphStyle("head", base, fontName=BOLD, fontSize=12, leading=15, spaceAfter=3),
        "small": ParagraphStyle("small", base, fontSize=6.8, leading=8.6),
        "bold": ParagraphStyle("bold", base, fontName=BOLD, fontSize=6.8, leading=8.6),
        "th": ParagraphStyle("th", base, fontName=BOLD, fontSize=7, leading=9, textColor=HexColor("#5b6269")),
        "cell": ParagraphStyle("cell", base, fontSize=7.5, leading=9.3),
        "verdict": ParagraphStyle("verdict", base, fontName=BOLD, fontSize=19, leading=23, textColor=white),
        "why": ParagraphStyle("why", base, fontSize=8.2, leading=10.4),
    }


def _text(said: str, style: str = "base", *, markup: bool = False) -> Any:
    from reportlab.platypus import Paragraph

    return Paragraph(said if markup else escape(said), _styles()[style])


def _table(cells: Sequence[Sequence[Any]], widths: Sequence[float], look: Sequence[Any], repeat: int = 0) -> Any:
    from reportlab.platypus import Table

    plain = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 1.4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.4),
    ]
    return Table([list(row) for row in cells], list(widths), style=[*plain, *look], repeatRows=repeat)
