"""One door to every scale, on the small photos."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from photoscale.card import CardReading
from photoscale.errors import PhotoscaleError, ScaleNotFound
from photoscale.find import find_scale
from photoscale.photo import Photo, load_photo
from photoscale.reading import DiameterReading, PlainReading, RuleReading, TwoReadings
from photoscale.scene import Silhouette, scale_cylinder
from photoscale.words import parse_height, parse_scale

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def truth_of(name: str) -> dict:  # type: ignore[type-arg]
    return json.loads((FIXTURES / f"{name}.json").read_text())


def silhouette_of(truth: dict) -> Silhouette:  # type: ignore[type-arg]
    part = truth["parts"][0]
    a, b = (np.array(e, float) for e in part["silhouette_px"])
    radius = part["crest_envelope_od_mm"] / 2
    tall = part["axis_height_above_table_mm"] / radius
    return Silhouette(a, b, 0.3, np.array([[-9.0, tall], [9.0, tall]]))


@pytest.mark.parametrize(
    ("name", "word", "height"),
    [
        ("diamond_rule", "rule:1mm", "bench"),
        ("diamond_wrong_pitch", "rule:1mm", "bench"),
        ("diagonal_right", "rule:1/32in", "bench"),
        ("recessed_rule", "rule:1mm", "bench"),
        ("diamond_card", "card:10.12mm", "bench"),
        ("diamond_unequal", "card:10mm", "bench"),
        ("diamond_double_track", "card:10mm", "12.5mm"),
        ("straight_knob", "rule:1mm", "16mm"),
        ("diamond_rule", "od:20.00mm", "bench"),
    ],
)
def test_the_whole_chain_holds_the_truth(name: str, word: str, height: str) -> None:
    truth = truth_of(name)
    photo = load_photo(FIXTURES / f"{name}.jpg")
    part = truth["parts"][0]
    reading = find_scale(photo, parse_scale(word), [np.array(part["knurl_polygon_px"], float)])
    scale = scale_cylinder(photo, reading, silhouette_of(truth), parse_height(height))
    assert abs(scale.mm_per_px.value - part["mm_per_px_axial"]) <= 2 * scale.mm_per_px.u
    assert abs(scale.outside_diameter.value - part["crest_envelope_od_mm"]) <= 2 * scale.outside_diameter.u
    # the crop has a focal length that nothing tells well
    worst = 0.03 if name == "diamond_card" else 0.01
    assert scale.mm_per_px.value == pytest.approx(part["mm_per_px_axial"], rel=worst)


def test_without_a_word_it_says_what_it_found() -> None:
    card = find_scale(load_photo(FIXTURES / "diamond_card.jpg"))
    assert isinstance(card, CardReading)
    assert "not measured" in " ".join(card.notes)
    rule = find_scale(load_photo(FIXTURES / "recessed_rule.jpg"))
    assert isinstance(rule, RuleReading)
    assert "name the rule" in " ".join(rule.notes)


def test_words_that_need_no_search() -> None:
    photo = Photo("x", np.zeros((80, 80), np.uint8), "", 80, 80)
    assert isinstance(find_scale(photo, parse_scale("od:20mm")), DiameterReading)
    assert isinstance(find_scale(photo, parse_scale("0.05mm/px")), PlainReading)


def test_two_scales_are_both_read() -> None:
    photo = load_photo(FIXTURES / "diamond_rule.jpg")
    both = find_scale(photo, parse_scale("od:20mm; rule:1mm"))
    assert isinstance(both, TwoReadings)
    assert isinstance(both.first, DiameterReading)
    assert isinstance(both.second, RuleReading)
    with pytest.raises(ScaleNotFound, match="card"):  # one of the two is not there
        find_scale(photo, parse_scale("rule:1mm; card"))


def test_the_rule_is_not_taken_for_the_pin() -> None:
    photo = load_photo(FIXTURES / "diamond_rule.jpg")
    part = np.array(truth_of("diamond_rule")["parts"][0]["knurl_polygon_px"], float)
    for word in ("rule:1mm; pin:6mm", "pin:6mm; rule:1mm"):
        with pytest.raises(ScaleNotFound, match="pin"):
            find_scale(photo, parse_scale(word), [part])


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("out_of_focus", "rule:1mm"),
        ("square_pin", "rule:1mm"),
        ("square_pin", "card"),
        ("diamond_rule", "card"),
        ("diamond_card", "rule:1mm"),
        ("diamond_rule", "rule:1/32in"),
        ("diagonal_right", "rule:1mm"),
        ("diamond_rule", "pin:6mm"),
        ("diamond_rule", "rig:nowhere"),
        ("square_pin", ""),
    ],
)
def test_a_word_that_does_not_fit_the_photo_says_so(
    name: str, word: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PHOTOSCALE_RIGS", str(tmp_path))
    truth = truth_of(name)
    outline = [np.array(truth["parts"][0]["knurl_polygon_px"], float)]
    with pytest.raises(PhotoscaleError) as info:
        find_scale(load_photo(FIXTURES / f"{name}.jpg"), parse_scale(word) if word else None, outline)
    assert info.value.hint
    assert "\n" not in str(info.value)


def test_flat_grey_has_no_scale() -> None:
    photo = Photo("x", np.full((400, 600), 128, np.uint8), "", 600, 400)
    for word in ("card", "rule:1mm", "pin:6mm"):
        with pytest.raises(ScaleNotFound):
            find_scale(photo, parse_scale(word))
