"""The tray insert: what is printed lies on the page, and its rule for the scale's height is right."""

from __future__ import annotations

import math

import pytest
from photoscale.card_print import Paper, card_pdf
from photoscale.tray_print import DEPTH_MM, GROOVES, PLACES, WALL_MM, tray_sheet


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_all_on_the_page_and_every_place_named_once(paper: Paper) -> None:
    sheet = tray_sheet(paper)
    for r in sheet.rectangles:
        assert 5 <= r.x <= r.x + r.width <= sheet.width - 5
        assert 5 <= r.y <= r.y + r.height <= sheet.height - 5
    for c in sheet.captions:
        assert 5 < c.y < sheet.height - 5
        # Helvetica's letters are about 0.5 of the font size wide, its font size 1.4 of the capitals
        assert c.x + len(c.text) * c.size * 1.4 * 0.5 < sheet.width - 5
    names = [c.text for c in sheet.captions if len(c.text) == 2]
    assert names[0] == "A1"
    assert len(set(names)) == len(names) == GROOVES * PLACES


def test_depth_of_a_square_groove() -> None:
    # a right angle between two walls: Pythagoras
    assert pytest.approx(math.sqrt(WALL_MM**2 / 2)) == DEPTH_MM
    # a bar of diameter D in it lies 0.207 D higher than on a plane through the bottom: D/2 (√2 - 1)
    assert (math.sqrt(2) - 1) / 2 == pytest.approx(0.207, abs=2e-4)
    assert any("8.79 - 0.207 x diameter" in c.text for c in tray_sheet().captions)


def test_second_page() -> None:
    alone, both = card_pdf("a4"), card_pdf("a4", tray_sheet("a4"))
    assert alone.count(b"/Type /Page\n") == 1
    assert both.count(b"/Type /Page\n") == 2
    assert card_pdf("a4", tray_sheet("a4")) == both
