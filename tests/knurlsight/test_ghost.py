"""Double tracking: what must not pass as clean, and what must not be claimed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from knurlsight.measuring.flank_fit import TIED, Fit
from knurlsight.measuring.ghost import (
    CLEAN,
    CLEAN_BELOW,
    PRESENT_ABOVE,
    UNSURE,
    Ghost,
    agreed,
    doubted,
    fit_with_ghosts,
    ghosts_of,
)
from knurlsight.measuring.measure import measure_part
from knurlsight.measuring.sightlines import Sightlines, sightlines
from knurlsight.measuring.spectrum import peaks_of, power_of
from knurlsight.measuring.start import fit_hypothesis, hypotheses
from knurlsight.measuring.unroll import unroll
from photoscale.photo import Photo
from photoscale.quantity import Quantity
from random_scenes import PRESETS, random_knurl, random_scene, zone_only
from synthesiser import render
from true_outline import true_outline, true_scale

# A track over the whole length is not tested for being found: in random patterns a third is not (`ghost.py`).


@cache
def solved(form: str, seed: int) -> tuple[Fit, Sightlines]:
    """The flank fit of a random clean pattern, and the patch it was fitted to, with the outline of a perfect eye."""
    rng = np.random.default_rng(seed)
    image, truth = render(zone_only(random_scene(rng, random_knurl(rng, form))), seed=seed)
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    outline = true_outline(truth)
    z0, z1 = outline.zone_z
    span = (z0 + (z1 - z0) / 4, z1 - (z1 - z0) / 4)
    surface = unroll(grey, outline.camera, outline.cylinder, span, 46.0, 200, 300)
    first = hypotheses(peaks_of(surface, power_of(surface.brightness)))[0]
    pitch = float(np.mean([1 / np.hypot(*line) for line in first.lines]))
    coarse, fine = (sightlines(grey, outline.camera, outline.cylinder, span, 60.0, pitch, n) for n in (7.0, 14.0))
    return fit_hypothesis(first, coarse, fine, wanted="raised"), fine


@pytest.mark.parametrize(("form", "seed"), [("RGE", 3), ("RBR", 3)])
def test_a_clean_family_is_not_called_doubled(form: str, seed: int) -> None:
    found, sight = solved(form, seed)
    ghosts = ghosts_of(found, sight)
    assert len(ghosts) == len(found.knurl.families)
    assert not any(g.present for g in ghosts)


@pytest.mark.parametrize("scene", [221, 283])
def test_a_track_over_a_third_of_the_length_is_seen_though_it_fades_the_lines(scene: int) -> None:
    """Where a second track lies, the first lines are fainter: that stretch was taken for a run-in and never looked at.

    A leaning and a straight pattern; the truth of each scene says where its second track ends.
    """
    made = PRESETS["tracks"](np.random.default_rng([9101, scene]), scene)
    grey, truth = render(made, seed=scene)
    photo = Photo("made", grey, "", grey.shape[1], grey.shape[0])
    (family,) = measure_part(photo, true_outline(truth), true_scale(truth), None).families
    part = truth["parts"][0]
    z0, z1 = part["families"][0]["double_track"]["axial_range_mm"]
    start, end = part["knurl_range_mm_from_end_A"]
    assert family.double_track.present
    assert family.double_track.extent is not None
    assert family.double_track.extent.value == pytest.approx((z1 - z0) / (end - start), abs=0.3)  # its k = 2


def test_a_patch_that_cannot_be_computed_does_not_pass_as_clean() -> None:
    found, sight = solved("RGE", 3)
    hole = sight.brightness.copy()
    hole[hole.shape[0] // 2, hole.shape[1] // 2 :] = np.nan
    for ghost in ghosts_of(found, replace(sight, brightness=hole)):
        assert ghost.present is None
        assert ghost.ratio is None
        assert ghost.words


def test_noise_gives_no_verdict() -> None:
    found, sight = solved("RGE", 3)
    noise = np.random.default_rng(5).normal(0, 1, sight.brightness.shape).astype(np.float32)
    for ghost in ghosts_of(found, replace(sight, brightness=noise)):
        assert ghost == Ghost(None, None, None, None, ghost.words)


def seen(log_odds: float | None) -> tuple[Ghost]:
    """The verdict of one reading of one family."""
    if log_odds is None or CLEAN_BELOW <= log_odds < PRESENT_ABOVE:
        return (replace(UNSURE, log_odds=log_odds),)
    if log_odds < CLEAN_BELOW:
        return (replace(CLEAN, log_odds=log_odds),)
    return (Ghost(True, Quantity(0.6, 0.1), Quantity(0.5, 0.05), Quantity(1.0, 0.15), "seen", log_odds),)


@pytest.mark.parametrize(
    ("one", "other", "present"),
    [(3.0, 2.0, True), (1.4, -1.0, None), (0.0, -2.0, False), (-1.0, -2.0, False), (4.0, 0.0, True), (3.0, None, None)],
)
def test_two_readings_of_a_second_track_are_weighed_together(one, other, present) -> None:
    for a, b in ((one, other), (other, one)):
        (ghost,) = agreed(seen(a), seen(b))
        assert ghost.present is present
        assert (ghost.ratio is None) == (present is None)


def test_a_second_track_on_doubtful_lines_is_in_doubt() -> None:
    assert doubted(seen(3.0))[0].present is None
    assert doubted(seen(-3.0)) == seen(-3.0)


def test_a_second_track_may_be_asked_to_stand_out_more() -> None:
    assert doubted(seen(3.0), 4.0)[0].present is None
    assert doubted(seen(5.0), 4.0) == seen(5.0)


def test_doubt_of_the_count_outlasts_the_fit_with_a_second_track() -> None:
    found, sight = solved("RGE", 3)
    covariance = found.covariance.copy()
    at = found.names.index(TIED)
    covariance[at, at] = (0.02 * found.knurl.families[0].around) ** 2  # as rivals would
    again = fit_with_ghosts(replace(found, covariance=covariance), (seen(5.0)[0], CLEAN), sight)
    assert again.knurl.families[0].ghost > 0
    assert again.u(TIED) == pytest.approx(0.02 * found.knurl.families[0].around)
