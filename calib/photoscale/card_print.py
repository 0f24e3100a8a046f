"""The scale card as something to print: PDF in true size, SVG, PNG, with two long bars to check the printer by caliper.

A print dialogue that fits to the page makes everything 3 to 6 % small, and printers themselves err by some tenths of a
per cent, each direction for itself; so the sheet carries a bar along and a bar across, and says what to measure.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal
from xml.sax.saxutils import escape

import cv2
import numpy as np

from photoscale.card import MARKER_TO_SQUARE, SQUARES, card_board
from photoscale.words import MM_PER_INCH, NOMINAL_SQUARE_MM

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

MARGIN_MM = 5.0
BAR_MM = 100.0
BAR_WIDTH_MM = 4.0
LINE = 1.4  # font size over height of capitals
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
Paper = Literal["a4", "letter"]


@dataclass(frozen=True)
class Rectangle:
    """A black rectangle: left, top, width, height in mm, y down."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Caption:
    """A line of text: left end of its baseline, height of the letters, mm."""

    x: float
    y: float
    size: float
    text: str


@dataclass(frozen=True)
class Sheet:
    """Black rectangles and captions on white, in mm from the top left corner."""

    width: float
    height: float
    rectangles: tuple[Rectangle, ...]
    captions: tuple[Caption, ...]
    cut: Rectangle | None = None


def board_rectangles(x0: float = 0.0, y0: float = 0.0) -> tuple[Rectangle, ...]:
    """The black parts of the board with its top left corner at (x0, y0)."""
    square = NOMINAL_SQUARE_MM
    board = card_board()
    bits = 6  # 4 x 4 and a black border
    bit = MARKER_TO_SQUARE * square / bits
    out, marked = [], set()
    dictionary = board.getDictionary()
    ids = np.asarray(board.getIds()).ravel()
    for marker, corners in zip(ids, board.getObjPoints(), strict=True):
        left, top = (float(v) for v in np.asarray(corners).reshape(-1, 3)[:, :2].min(axis=0))
        marked.add((int(left // square), int(top // square)))
        picture = np.asarray(cv2.aruco.generateImageMarker(dictionary, int(marker), bits))
        for row in range(bits):
            column = 0
            while column < bits:  # runs of black bits as one rectangle, or hairlines show between them
                run = 0
                while column + run < bits and picture[row, column + run] == 0:
                    run += 1
                if run:
                    out.append(Rectangle(x0 + left + column * bit, y0 + top + row * bit, run * bit, bit))
                column += max(run, 1)
    for i in range(SQUARES[0]):
        for j in range(SQUARES[1]):
            if (i, j) not in marked:
                out.append(Rectangle(x0 + i * square, y0 + j * square, square, square))
    return tuple(out)


def card_sheet(paper: Paper | None = None) -> Sheet:
    """The card alone, or in the middle of a page with the two bars and what to do with them."""
    w, h = (n * NOMINAL_SQUARE_MM + 2 * MARGIN_MM for n in SQUARES)
    label = f"square {NOMINAL_SQUARE_MM:.2f} mm if printed true: measure it"
    if paper is None:
        return Sheet(
            w,
            h,
            board_rectangles(MARGIN_MM, MARGIN_MM),
            (Caption(MARGIN_MM, h - 1.6, 2.2, label),),
            Rectangle(0, 0, w, h),
        )
    page_w, page_h = PAPERS[paper]
    x, y = (page_w - w) / 2, 45.0
    across = Rectangle((page_w - BAR_MM) / 2, y + h + 18, BAR_MM, BAR_WIDTH_MM)
    along = Rectangle(30.0, y + h + 34, BAR_WIDTH_MM, BAR_MM)
    text_x = along.x + BAR_WIDTH_MM + 6
    lines = (
        "1. Print at 100 %, never 'fit to page'.",
        f"2. Measure both bars with a caliper, outside edges. Each should be {BAR_MM:.0f} mm.",
        "3. Square in mm = (length of the bar across + length of the bar down) / 20.",
        "    Bars 98.7 and 98.9 mm: type  --scale card:9.88mm",
        "4. Bars that differ by more than 0.3 mm: use another printer.",
        "5. Cut along the frame and glue the card to something flat and stiff.",
        "6. In the photo it lies beside the part, wholly in view, no glare.",
    )
    captions = [
        Caption(x + MARGIN_MM, y + h - 1.6, 2.2, label),
        Caption(across.x, across.y - 2, 3.0, "bar across, 100 mm"),
    ]
    captions += [Caption(text_x, along.y + 8 + 7 * k, 3.0, line) for k, line in enumerate(lines)]
    captions.append(Caption(x, y - 12, 5.0, "Scale card"))
    return Sheet(
        page_w,
        page_h,
        (*board_rectangles(x + MARGIN_MM, y + MARGIN_MM), across, along),
        tuple(captions),
        Rectangle(x, y, w, h),
    )


def card_svg(paper: Paper | None = None) -> str:
    """The sheet as SVG, its size given in mm."""
    sheet = card_sheet(paper)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{sheet.width:g}mm" height="{sheet.height:g}mm" '
        f'viewBox="0 0 {sheet.width:g} {sheet.height:g}">',
        f'<rect width="{sheet.width:g}" height="{sheet.height:g}" fill="#fff"/>',
        '<g shape-rendering="crispEdges">',
        *(
            f'<rect x="{r.x:.6g}" y="{r.y:.6g}" width="{r.width:.6g}" height="{r.height:.6g}"/>'
            for r in sheet.rectangles
        ),
        "</g>",
    ]
    if sheet.cut is not None:
        c = sheet.cut
        parts.append(
            f'<rect x="{c.x:.6g}" y="{c.y:.6g}" width="{c.width:.6g}" height="{c.height:.6g}" fill="none" '
            'stroke="#999" stroke-width="0.1"/>'
        )
    parts += [
        f'<text x="{t.x:.6g}" y="{t.y:.6g}" font-size="{t.size * LINE:.4g}" font-family="Helvetica, Arial, sans-serif">'
        f"{escape(t.text)}</text>"
        for t in sheet.captions
    ]
    return "\n".join([*parts, "</svg>", ""])


def card_pdf(paper: Paper = "a4", *more: Sheet) -> bytes:
    """The sheet, and more after it, as PDF pages in true size; the same bytes each time."""
    from reportlab.pdfgen.canvas import Canvas

    buffer = io.BytesIO()
    canvas = Canvas(buffer, invariant=1)
    canvas.setTitle("Scale card")
    # asks viewers not to scale; print dialogues may still do, hence the bars
    canvas.setViewerPreference("PrintScaling", "None")
    for sheet in (card_sheet(paper), *more):
        _draw(canvas, sheet)
    canvas.save()
    return buffer.getvalue()


def _draw(canvas: Canvas, sheet: Sheet) -> None:
    """One page."""
    point = 72 / MM_PER_INCH
    canvas.setPageSize((sheet.width * point, sheet.height * point))
    for r in sheet.rectangles:
        bottom = sheet.height - r.y - r.height
        canvas.rect(r.x * point, bottom * point, r.width * point, r.height * point, stroke=0, fill=1)
    if sheet.cut is not None:
        c = sheet.cut
        canvas.setLineWidth(0.1 * point)
        canvas.setStrokeGray(0.6)
        canvas.rect(c.x * point, (sheet.height - c.y - c.height) * point, c.width * point, c.height * point, fill=0)
    for t in sheet.captions:
        canvas.setFont("Helvetica", t.size * LINE * point)
        canvas.drawString(t.x * point, (sheet.height - t.y) * point, t.text)
    canvas.showPage()


def card_png(dots_per_mm: int = 24) -> bytes:
    """The card alone as PNG with its resolution stored; 24 dots a mm is 609.6 dpi, and bits fall on whole dots."""
    from PIL import Image

    sheet = card_sheet()
    size = (round(sheet.height * dots_per_mm), round(sheet.width * dots_per_mm))
    picture = np.full(size, 255, np.uint8)
    for r in sheet.rectangles:
        x0, y0 = round(r.x * dots_per_mm), round(r.y * dots_per_mm)
        x1, y1 = round((r.x + r.width) * dots_per_mm), round((r.y + r.height) * dots_per_mm)
        picture[y0:y1, x0:x1] = 0
    for t in sheet.captions:
        cv2.putText(
            picture,
            t.text,
            (round(t.x * dots_per_mm), round(t.y * dots_per_mm)),
            cv2.FONT_HERSHEY_SIMPLEX,
            t.size * dots_per_mm / 21,
            0,
            max(1, dots_per_mm // 8),
            cv2.LINE_AA,
        )
    buffer = io.BytesIO()
    dpi = dots_per_mm * MM_PER_INCH
    Image.fromarray(picture).save(buffer, "PNG", dpi=(dpi, dpi))
    return buffer.getvalue()
