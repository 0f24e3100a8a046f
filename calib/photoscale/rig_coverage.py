"""Where in the frame the card's corners were seen: a picture to tell which photos a rig still lacks."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from photoscale.card import CardReading

WIDTH_PX = 900
CELLS = (6, 4)  # across and down
INK, PALE = (60, 40, 20), (225, 225, 245)  # blue, green, red
COLOURS = ((180, 119, 31), (14, 127, 255), (44, 160, 44), (189, 103, 148), (75, 86, 140), (34, 189, 188))


def empty_cells(size_px: tuple[int, int], cards: Sequence[CardReading]) -> tuple[tuple[int, int], ...]:
    """Cells (column, row) of a grid of `CELLS` over the frame in which no corner was seen."""
    points = np.vstack([c.points_px for c in cards])
    cell = np.floor(points / np.array(size_px) * np.array(CELLS)).astype(int)
    seen = {(int(c), int(r)) for c, r in np.clip(cell, 0, np.array(CELLS) - 1)}
    return tuple((c, r) for r in range(CELLS[1]) for c in range(CELLS[0]) if (c, r) not in seen)


def coverage_png(size_px: tuple[int, int], cards: Sequence[CardReading]) -> bytes:
    """The frame with every corner as a dot, a colour a photo, and the cells without any shaded.

    Parameters
    ----------
    size_px : (width, height)
    cards : sequence of CardReading
        One of each photo.
    """
    k = WIDTH_PX / size_px[0]
    height, margin, foot = round(size_px[1] * k), 20, 40
    picture = np.full((height + margin + foot, WIDTH_PX + 2 * margin, 3), 255, np.uint8)
    cell = np.array([WIDTH_PX / CELLS[0], height / CELLS[1]])
    empty = empty_cells(size_px, cards)
    for place in empty:
        low = np.round(np.array(place) * cell).astype(int) + margin
        high = np.round((np.array(place) + 1) * cell).astype(int) + margin
        cv2.rectangle(picture, (int(low[0]), int(low[1])), (int(high[0]), int(high[1])), PALE, -1)
    for n, card in enumerate(cards):
        for x, y in np.round((card.points_px + 0.5) * k).astype(int) + margin:
            cv2.circle(picture, (int(x), int(y)), 4, COLOURS[n % len(COLOURS)], -1, cv2.LINE_AA)
    cv2.rectangle(picture, (margin, margin), (WIDTH_PX + margin, height + margin), INK, 1)
    total = CELLS[0] * CELLS[1]
    words = f"corners of the card in {len(cards)} photos; {len(empty)} of {total} fields of the frame (shaded) saw none"
    cv2.putText(picture, words, (margin, height + margin + 26), cv2.FONT_HERSHEY_SIMPLEX, 0.6, INK, 1, cv2.LINE_AA)
    return bytes(np.asarray(cv2.imencode(".png", picture)[1]).tobytes())
