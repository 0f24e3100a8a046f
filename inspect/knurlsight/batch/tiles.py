"""A tile of every part that did not pass: its knurl cut from the photo, with name, shape, word and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.errors import PhotoscaleError
from photoscale.photo import colour, load_photo
from PIL import Image, ImageDraw

from knurlsight.batch.lines import PartLine
from knurlsight.reporting import annotate

Picture = NDArray[np.uint8]
Tile = tuple[PartLine, Picture]
TILE_PX = 320
CAPTION_PX = 104
ACROSS = 4
#: A page with more is no longer looked at.
MOST_TILES = 200


def failed_lines(lines: Sequence[PartLine]) -> list[PartLine]:
    """Parts that failed or could not be told, worst first."""
    order = {"fail": 0, "cannot_tell": 1}
    bad = [line for line in lines if line.verdict in order]
    return sorted(bad, key=lambda line: order[str(line.verdict)])[:MOST_TILES]


def tiles(lines: Sequence[PartLine], files: Mapping[str, Path]) -> list[Tile]:
    """A tile for each of some parts.

    Parameters
    ----------
    lines : sequence of PartLine
    files : mapping
        Where each line's `photo` is; one that cannot be read any more gives an empty tile.
    """
    made: list[Tile] = []
    name, photo = "", np.empty((0, 0, 3), np.uint8)
    for line in lines:
        if line.photo != name:
            name, photo = line.photo, _photo(files.get(line.photo))
        made.append((line, _tile(line, photo)))
    return made


def sheet(made: Sequence[Tile]) -> Picture:
    """All tiles on one sheet, blue-green-red."""
    across = min(ACROSS, max(1, len(made)))
    rows = max(1, -(-len(made) // across))
    height = TILE_PX + CAPTION_PX
    paper = np.full((rows * (height + 8) + 8, across * (TILE_PX + 8) + 8, 3), 255, np.uint8)
    for i, (_, tile) in enumerate(made):
        y, x = 8 + (i // across) * (height + 8), 8 + (i % across) * (TILE_PX + 8)
        paper[y : y + height, x : x + TILE_PX] = tile
    return paper


def _photo(path: Path | None) -> Picture:
    try:
        return colour(load_photo(path)) if path is not None else np.empty((0, 0, 3), np.uint8)
    except PhotoscaleError:
        return np.empty((0, 0, 3), np.uint8)


def _tile(line: PartLine, photo: Picture) -> Picture:
    picture = np.full((TILE_PX, TILE_PX, 3), 90, np.uint8)
    cut = _cut(line, photo)
    if cut.size:
        k = TILE_PX / max(cut.shape[:2])
        size = max(1, round(cut.shape[1] * k)), max(1, round(cut.shape[0] * k))
        small = cv2.resize(cut, size, interpolation=cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC)
        y, x = (TILE_PX - small.shape[0]) // 2, (TILE_PX - small.shape[1]) // 2
        picture[y : y + small.shape[0], x : x + small.shape[1]] = small
    return np.vstack([picture, _caption(line)])


def _cut(line: PartLine, photo: Picture) -> Picture:
    """The part's zone and a margin; the whole photo where no part was found."""
    if not photo.size or len(line.zone_px) < 3:
        return photo
    corners = np.array(line.zone_px)
    margin = 0.2 * float(np.ptp(corners, axis=0).max())
    x0, y0 = np.maximum(corners.min(axis=0) - margin, 0).astype(int)
    x1, y1 = np.minimum(corners.max(axis=0) + margin, [photo.shape[1], photo.shape[0]]).astype(int)
    return photo[y0:y1, x0:x1] if x1 - x0 > 1 and y1 - y0 > 1 else photo


def _caption(line: PartLine) -> Picture:
    verdict = line.verdict if line.verdict in annotate.VERDICT_WORDS else "cannot_tell"
    strip = Image.new("RGB", (TILE_PX, CAPTION_PX), annotate.VERDICT_COLOURS[verdict])
    draw = ImageDraw.Draw(strip)
    annotate.verdict_shape(draw, verdict, 6, 6, 22)
    bold, small = annotate.font_of(18), annotate.font_of(13)
    word = annotate.VERDICT_WORDS[verdict]
    name = line.id if len(line.id) <= 38 else "..." + line.id[-35:]
    draw.text((36, 17), word, fill=annotate.WHITE, font=bold, anchor="lm")
    draw.text((6, 40), annotate.plain_letters(name), fill=annotate.WHITE, font=annotate.font_of(15), anchor="lm")
    rows = annotate.wrapped_rows(draw, line.why[0] if line.why else "", small, TILE_PX - 12)
    if len(rows) > 3:
        rows = [*rows[:2], f"{rows[2]} ..."]
    for i, row in enumerate(rows):
        draw.text((6, 51 + 16 * i), row, fill=annotate.WHITE, font=small)
    return np.ascontiguousarray(np.asarray(strip, np.uint8)[:, :, ::-1])
