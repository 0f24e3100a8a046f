"""A drawing as a list of marks in mm, put out as SVG, on a PDF page, or as PNG.

x runs to the right and y down from the top left corner, in mm. Only what the plan's pictures need: lines, filled
shapes, text and grey pictures, in black, greys and one red that also shows as dark grey in print.
"""

from __future__ import annotations

import base64
import html
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Anchor = Literal["start", "middle", "end"]
MM_PER_POINT = 25.4 / 72.0


@dataclass(frozen=True)
class Line:
    """A line through points."""

    points: tuple[tuple[float, float], ...]
    width_mm: float = 0.25
    colour: str = "#000000"
    dashed: bool = False


@dataclass(frozen=True)
class Shape:
    """A filled polygon."""

    points: tuple[tuple[float, float], ...]
    colour: str


@dataclass(frozen=True)
class Text:
    """Words on a base line, `size_mm` high."""

    x: float
    y: float
    words: str
    size_mm: float = 3.0
    anchor: Anchor = "start"
    bold: bool = False
    colour: str = "#000000"


@dataclass(frozen=True)
class Picture:
    """A picture that fills a rectangle: uint8, grey (rows, columns) or red, green, blue (rows, columns, 3)."""

    x: float
    y: float
    width: float
    height: float
    pixels: NDArray[np.uint8]


Mark = Line | Shape | Text | Picture


@dataclass(frozen=True)
class Drawing:
    """Marks on a sheet of a size in mm, and in one sentence what they show."""

    width_mm: float
    height_mm: float
    marks: tuple[Mark, ...] = field(default=())
    title: str = ""


def rectangle(x: float, y: float, width: float, height: float, colour: str) -> Shape:
    """A filled rectangle."""
    return Shape(((x, y), (x + width, y), (x + width, y + height), (x, y + height)), colour)


def png_of(pixels: NDArray[np.uint8]) -> bytes:
    """A picture, grey or red, green, blue, as PNG."""
    import cv2

    done, data = cv2.imencode(".png", pixels[:, :, ::-1] if pixels.ndim == 3 else pixels)
    if not done:  # pragma: no cover - OpenCV encodes any uint8 array
        raise ValueError("the picture could not be encoded")
    return bytes(data.tobytes())


def to_svg(drawing: Drawing) -> str:
    """The drawing as SVG, at its true size."""
    size = f'width="{drawing.width_mm:g}mm" height="{drawing.height_mm:g}mm"'
    box = f'viewBox="0 0 {drawing.width_mm:g} {drawing.height_mm:g}"'
    lines = [f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box} font-family="Verdana, DejaVu Sans, sans-serif">']
    lines.append(f"<title>{html.escape(drawing.title)}</title>")
    lines.extend(_svg(mark) for mark in drawing.marks)
    lines.append("</svg>")
    return "\n".join(lines)


def _svg(mark: Mark) -> str:
    if isinstance(mark, Picture):
        data = base64.b64encode(png_of(mark.pixels)).decode()
        place = f'x="{mark.x:.3f}" y="{mark.y:.3f}" width="{mark.width:.3f}" height="{mark.height:.3f}"'
        return f'<image {place} preserveAspectRatio="none" href="data:image/png;base64,{data}"/>'
    if isinstance(mark, Text):
        weight = ' font-weight="bold"' if mark.bold else ""
        place = f'x="{mark.x:.3f}" y="{mark.y:.3f}" font-size="{mark.size_mm:g}" text-anchor="{mark.anchor}"'
        return f'<text {place} fill="{mark.colour}"{weight}>{html.escape(mark.words)}</text>'
    points = " ".join(f"{x:.3f},{y:.3f}" for x, y in mark.points)
    if isinstance(mark, Shape):
        return f'<polygon points="{points}" fill="{mark.colour}"/>'
    dash = ' stroke-dasharray="1 1"' if mark.dashed else ""
    style = f'stroke="{mark.colour}" stroke-width="{mark.width_mm:g}" stroke-linejoin="round"{dash}'
    return f'<polyline points="{points}" fill="none" {style}/>'


def onto_pdf(drawing: Drawing, canvas: Any, x_mm: float, top_mm: float, page_height_mm: float) -> None:
    """Put the drawing on a reportlab canvas with its top left corner at (x, top) from the top left of the page."""
    from io import BytesIO

    from reportlab.lib.colors import HexColor
    from reportlab.lib.utils import ImageReader

    def at(x: float, y: float) -> tuple[float, float]:
        return (x_mm + x) / MM_PER_POINT, (page_height_mm - top_mm - y) / MM_PER_POINT

    for mark in drawing.marks:
        if isinstance(mark, Picture):
            x, y = at(mark.x, mark.y + mark.height)
            reader = ImageReader(BytesIO(png_of(mark.pixels)))
            canvas.drawImage(reader, x, y, mark.width / MM_PER_POINT, mark.height / MM_PER_POINT)
        elif isinstance(mark, Text):
            canvas.setFillColor(HexColor(mark.colour))
            canvas.setFont("Vera-Bold" if mark.bold else "Vera", mark.size_mm / MM_PER_POINT)
            draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
            draw[mark.anchor](*at(mark.x, mark.y), mark.words)
        else:
            path = canvas.beginPath()
            path.moveTo(*at(*mark.points[0]))
            for point in mark.points[1:]:
                path.lineTo(*at(*point))
            if isinstance(mark, Shape):
                canvas.setFillColor(HexColor(mark.colour))
                canvas.drawPath(path, stroke=0, fill=1)
            else:
                canvas.setStrokeColor(HexColor(mark.colour))
                canvas.setLineWidth(mark.width_mm / MM_PER_POINT)
                canvas.setDash([2, 2] if mark.dashed else [])
                canvas.drawPath(path, stroke=1, fill=0)


def to_png(drawing: Drawing, dots_per_inch: float = 200.0) -> bytes:
    """The drawing as PNG, its resolution written into it so that it prints at true size."""
    from io import BytesIO

    from PIL import Image, ImageDraw, ImageFont

    scale = dots_per_inch / 25.4
    # Drawn at twice the size and halved, which smooths the edges.
    fine = 2.0 * scale
    image = Image.new("RGB", (round(drawing.width_mm * fine), round(drawing.height_mm * fine)), "white")
    pen = ImageDraw.Draw(image)
    for mark in drawing.marks:
        if isinstance(mark, Picture):
            size = (max(1, round(mark.width * fine)), max(1, round(mark.height * fine)))
            image.paste(Image.fromarray(mark.pixels).resize(size), (round(mark.x * fine), round(mark.y * fine)))
        elif isinstance(mark, Text):
            font = ImageFont.truetype(font_path(mark.bold), max(1, round(mark.size_mm * fine)))
            anchor = {"start": "ls", "middle": "ms", "end": "rs"}[mark.anchor]
            pen.text((mark.x * fine, mark.y * fine), mark.words, fill=mark.colour, font=font, anchor=anchor)
        elif isinstance(mark, Shape):
            pen.polygon([(x * fine, y * fine) for x, y in mark.points], fill=mark.colour)
        else:
            points = [(x * fine, y * fine) for x, y in mark.points]
            pen.line(points, fill=mark.colour, width=max(1, round(mark.width_mm * fine)), joint="curve")
    image = image.resize((max(1, image.width // 2), max(1, image.height // 2)), Image.Resampling.BOX)
    out = BytesIO()
    image.save(out, "PNG", dpi=(dots_per_inch, dots_per_inch))
    return out.getvalue()


def font_path(bold: bool) -> str:
    """The Bitstream Vera Sans that reportlab carries; it has °, ±, × and –, and no Greek."""
    from pathlib import Path

    import reportlab

    return str(Path(reportlab.__file__).parent / "fonts" / ("VeraBd.ttf" if bold else "Vera.ttf"))
