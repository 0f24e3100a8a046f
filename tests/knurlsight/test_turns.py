"""Photos of a part turned by steps: the count by closure, seams, depth round the part, and sets that do not hold."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from bench_scene import Caliper, CameraPose, Part, Scene, Segment, Sensor, light_from, turned_views
from knurl_height import Knurl, Seam
from knurlsight.cli import run
from knurlsight.errors import UnitError
from knurlsight.inspection import ScaleRequest
from knurlsight.joining.closure import Step, count_round
from knurlsight.joining.step_words import turn_step
from knurlsight.joining.turns import depth_round, inspect_turned
from made_patterns import family, pattern
from photoscale.photo import Photo
from photoscale.quantity import Quantity
from photoscale.words import parse_scale
from random_scenes import form_families
from synthesiser import picture, write_photo

OD_MM, TEETH = 12.0, 33


def _phases(teeth: float, step_deg: float, n: int, sense: int = 1, uneven_deg: float = 0.0, seed: int = 0):
    rng = np.random.default_rng(seed)
    at = sense * (np.arange(n) * step_deg + rng.normal(0, 1, n) * uneven_deg) / 360
    return (teeth * at + 0.3 + 0.5) % 1 - 0.5


@pytest.mark.parametrize("teeth", [31, 54, 80])
@pytest.mark.parametrize("sense", [1, -1])
def test_the_count_comes_out_whole_from_single_photos_that_are_half_a_tooth_off(teeth, sense):
    phases = _phases(teeth, 52.0, 7, sense, 0.02)
    count = count_round(Quantity(teeth + 0.6, 0.5), phases, range(7), 0.01, [Step(52.0, 0.05)], closes=True)
    assert (count.whole, count.sense, count.agree) == (teeth, sense, True)


def test_a_wrong_whole_count_is_hardly_ever_stated():
    """A claim is made at a probability of 0.95; 200 draws of its own model, binomial limit at three deviations."""
    rng = np.random.default_rng(5)
    claimed = wrong = 0
    for i in range(200):
        teeth = int(rng.integers(25, 160))
        uneven = float(rng.choice([0.02, 0.05, 0.1, 0.2, 0.4, 0.8]))
        step = 60.0 + float(rng.normal(0, 0.3))
        phases = _phases(teeth, step, 6, int(rng.choice([-1, 1])), uneven, i) + rng.normal(0, 0.01, 6)
        seen = Quantity(teeth + float(rng.normal(0, 0.45)), 0.45)
        count = count_round(seen, phases, range(6), 0.01, [Step(60.0, 0.3)], closes=True)
        claimed += count.whole is not None
        wrong += count.whole not in (None, teeth)
    assert claimed > 40
    assert wrong <= 0.05 * claimed + 3 * np.sqrt(0.05 * 0.95 * claimed)


def test_a_hand_too_uncertain_for_a_fine_pattern_leaves_the_count_open():
    count = count_round(Quantity(200.2, 1.2), _phases(200, 60.0, 6), range(6), 0.012, [Step(60.0, 0.5)], closes=True)
    assert count.whole is None


def test_a_pattern_that_does_not_close_has_a_broken_count():
    count = count_round(Quantity(54.7, 0.5), _phases(54.45, 60.0, 5), range(5), 0.012, [Step(60.0, 0.05)], closes=False)
    assert count.teeth.value == pytest.approx(54.45, abs=3 * count.teeth.u)
    assert count.whole is None


def test_photos_turned_at_random_do_not_agree():
    phases = np.array([0.0, 0.31, -0.12, 0.44, -0.35, 0.2])
    count = count_round(Quantity(33.2, 0.4), phases, range(6), 0.01, [Step(60.0, 0.1)], closes=True)
    assert not count.agree


def test_the_step_is_found_only_where_one_goes_with_the_pattern():
    steps = [Step(s, 0.1) for s in (40.0, 45.0, 72.0)]
    found = count_round(Quantity(33.1, 0.2), _phases(33, 72.0, 5), range(5), 0.01, steps, closes=True)
    assert found.step_deg == 72.0
    alike = [Step(s, 0.1) for s in (30.0, 60.0)]
    open_step = count_round(Quantity(36.1, 0.2), _phases(36, 60.0, 6), range(6), 0.01, alike, closes=True)
    assert open_step.step_deg is None


@pytest.mark.parametrize("amplitude", [0.0, 0.3])
def test_depth_once_a_turn(amplitude):
    arc = np.radians(54.0)
    seen = np.sin(arc) / arc
    made = []
    for k in range(6):
        depth = 0.4 * (1 + amplitude * seen * np.cos(np.radians(60 * k - 25)))
        hands = [family(hand=h) for h in ("right", "left")]
        made.append(pattern(families=tuple(replace(f, strength=Quantity(depth, 0.02)) for f in hands)))
    q = depth_round(made, range(6), 60.0)
    assert q is not None
    assert q.value == pytest.approx(amplitude, abs=1e-6)
    assert 0.01 < q.u < 0.04
    assert depth_round(made[:3], range(3), 60.0) is None
    assert depth_round(made, range(6), None) is None


@pytest.mark.parametrize(
    ("words", "photos", "wanted"),
    [("60deg", 2, Step(60.0, 0.3)), ("-45", 3, Step(45.0, 0.3)), ("72+-0.1deg", 5, Step(72.0, 0.1)), ("auto", 2, None)],
)
def test_the_step_as_typed(words, photos, wanted):
    assert turn_step(words, photos) == wanted


@pytest.mark.parametrize(
    ("words", "photos"),
    [("60deg", 1), ("0", 3), ("400deg", 3), ("60mm", 3), ("a bit", 3), ("1+-2+-3", 3), ("10+-9", 3)],
)
def test_a_step_that_makes_no_sense_is_refused_in_one_line(words, photos):
    with pytest.raises(UnitError) as caught:
        turn_step(words, photos)
    assert "\n" not in caught.value.message


# --- rendered sets ---------------------------------------------------------------------------------------------------


def _scene(seam: bool = False, detail: int = 3) -> Scene:
    families = form_families("RGE", OD_MM, 1.0, 30.0, 0.85)
    assert families[0].teeth == TEETH
    knurl = Knurl("RGE", OD_MM, 4.0, 18.0, families, phase_reference_z_mm=9.0, detail_seed=detail)
    if seam:
        broken = tuple(replace(f, teeth=f.teeth + 0.4) for f in families)
        knurl = replace(knurl, families=broken, seam=Seam(1.2, 0.5, 0.9))
    plain = (Segment(0.0, 4.0, 5.2), Segment(18.0, 22.0, 5.2))
    return Scene(
        (Part(knurl, 22.0, plain),),
        camera=CameraPose(size_px=(580, 340), focal_px=2300.0, distance_mm=140.0, aim_mm=(0.0, 0.0, 6.0)),
        light=light_from("window"),
        scale=Caliper(OD_MM),
        sensor=Sensor(noise=0.01),
        colour=False,
        bench_seed=2,
        stem="turned",
    )


@cache
def _set(seam: bool, count: int) -> tuple[Photo, ...]:
    photos = []
    for i, view in enumerate(turned_views(_scene(seam), count, 360.0 / count)):
        grey = picture(view, 10 + i)
        photos.append(Photo(f"{view.stem}.png", grey, f"{i:064x}", grey.shape[1], grey.shape[0]))
    return tuple(photos)


REQUEST = ScaleRequest(parse_scale(f"od:{OD_MM}mm"))


def test_a_clean_set_closes_on_its_true_count():
    inspection = inspect_turned(_set(False, 5), Step(72.0, 0.1), scale=REQUEST)
    made = inspection.parts[0].pattern
    assert made.form == "RGE"
    assert [f.teeth_whole for f in made.families] == [TEETH, TEETH]
    assert made.open_seam == Quantity(0.0, 0.0)
    assert made.seen_arc_deg is not None
    assert made.seen_arc_deg.value == 360
    assert made.depth_variation is not None
    assert made.depth_variation.value < 0.1 + 2 * made.depth_variation.u
    p_t = np.pi * OD_MM / TEETH
    for f in made.families:
        assert f.transverse_pitch is not None
        assert abs(f.transverse_pitch.value - p_t) < 2 * f.transverse_pitch.u


def test_a_seam_is_found_and_no_whole_count_stated():
    made = inspect_turned(_set(True, 5), Step(72.0, 0.1), scale=REQUEST).parts[0].pattern
    assert made.open_seam == Quantity(1.0, 0.0)
    assert any(f.kind == "open_seam" for f in made.faults)
    assert all(f.teeth_whole is None for f in made.families)


def test_a_photo_of_another_part_in_the_set_is_told():
    photos = list(_set(False, 5)[:3])
    other = replace(_scene(), parts=(replace(_scene().parts[0], knurl=_other_knurl()),))
    grey = picture(other, 3)
    photos[1] = Photo("other.png", grey, "f" * 64, grey.shape[1], grey.shape[0])
    inspection = inspect_turned(photos, Step(72.0, 0.1), scale=REQUEST)
    assert inspection.verdict == "cannot_tell"
    assert "photo 2" in inspection.reasons[0]


def _other_knurl() -> Knurl:
    families = form_families("RGE", OD_MM, 0.8, 30.0, 0.85)
    return Knurl("RGE", OD_MM, 4.0, 18.0, families, phase_reference_z_mm=9.0, detail_seed=8)


def test_angles_that_do_not_match_are_told():
    inspection = inspect_turned([_set(False, 5)[i] for i in (0, 2, 1, 3)], Step(72.0, 0.1), scale=REQUEST)
    assert inspection.verdict == "cannot_tell"
    assert "steps" in inspection.reasons[0]


def test_the_command_writes_a_result_of_all_photos(tmp_path):
    paths = [write_photo(v, 4, tmp_path) for v in turned_views(_scene(), 2, 72.0)]
    out = tmp_path / "r.json"
    words = ["inspect", *map(str, paths), "--turn", "72deg", "--scale", f"od:{OD_MM}mm", "--json", str(out)]
    assert run(words) == 0
    result = json.loads(out.read_text())
    assert len(result["photos"]) == 2
    assert result["parts"][0]["form"] == "RGE"
