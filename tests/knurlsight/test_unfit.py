"""Why a photo shows no pattern: words with the figure measured."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from knurlsight.inspection import inspect_part
from knurlsight.measuring.unfit import unfit
from photoscale.photo import load_photo

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def shot(name: str) -> tuple[np.ndarray, np.ndarray]:
    truth = json.loads((FIXTURES / f"{name}.json").read_text())
    return load_photo(FIXTURES / f"{name}.jpg").grey, np.array(truth["parts"][0]["knurl_polygon_px"], float)


@pytest.mark.parametrize(
    "name", ["diamond_rule", "diamond_card", "diagonal_right", "recessed_rule", "square_pin", "straight_knob"]
)
def test_nothing_is_wrong_with_a_good_photo(name):
    grey, part = shot(name)
    assert unfit(grey) == unfit(grey, part) == ""


def test_out_of_focus_is_said_with_its_figure():
    # the photo of out_of_focus.jpg is made to be refused for that: its truth says "defocus"
    reason = inspect_part([load_photo(FIXTURES / "out_of_focus.jpg")]).reasons[0]
    assert "out of focus" in reason and "px apart are lost" in reason


def test_a_blur_matters_for_fine_lines_only():
    grey, part = shot("diamond_card")
    soft = cv2.GaussianBlur(grey, (0, 0), 6)  # a fifth of the contrast is left to lines 21 px apart
    assert "out of focus" in unfit(soft, part, 16)
    assert unfit(soft, part, 40) == ""


def test_glare_shake_and_coarseness():
    grey, part = shot("diamond_card")
    assert "blown out" in unfit(np.full_like(grey, 255)) and "blown out" in unfit(np.full_like(grey, 255), part)
    assert "moved" in unfit(cv2.blur(grey, (25, 1)), part, 30)
    assert "about 7 px" in unfit(grey, part, 7.2)
