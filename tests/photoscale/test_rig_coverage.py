"""The picture of where in the frame corners were seen."""

from __future__ import annotations

import cv2
import numpy as np
from photoscale.card import CardReading
from photoscale.rig_coverage import CELLS, coverage_png, empty_cells

SIZE = (1200, 800)  # fields of 200 px


def card(*points: tuple[float, float]) -> CardReading:
    px = np.array(points, float)
    return CardReading(px, px / 20, 10.0, 0.03, 0.1)


def test_fields_without_corners() -> None:
    everywhere = card(*[(200.0 * i + 100, 200.0 * j + 100) for i in range(6) for j in range(4)])
    assert empty_cells(SIZE, [everywhere]) == ()
    assert empty_cells(SIZE, [card((10, 10), (1190, 790))])[:2] == ((1, 0), (2, 0))
    assert len(empty_cells(SIZE, [card((10, 10)), card((1190, 790))])) == CELLS[0] * CELLS[1] - 2


def test_the_picture_shows_dots_where_corners_were() -> None:
    data = coverage_png(SIZE, [card((600, 400)), card((100, 100))])
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    # 900 of 1200 px wide, 20 px of margin
    assert picture[320, 470].tolist() != [255, 255, 255]
    assert picture[95, 95].tolist() != picture[320, 470].tolist()  # a colour a photo
