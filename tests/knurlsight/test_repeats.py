"""Several photos of one part."""

from __future__ import annotations

from dataclasses import replace

import made_patterns as made
import numpy as np
import pytest
from knurlsight.joining.repeats import join_quantities, join_repeats
from knurlsight.measuring.ghost import CLEAN_BELOW
from photoscale.quantity import Quantity


def test_one_photo_is_itself():
    pattern = made.pattern()
    assert join_repeats([pattern]) is pattern


def test_photos_that_agree_keep_the_uncertainty_of_one():
    # the scale is common to the repeats, so their number does not help against it
    q, ratio = join_quantities([Quantity(1.000, 0.01, "mm"), Quantity(1.002, 0.01, "mm"), None])
    assert q == Quantity(1.001, 0.01, "mm") and ratio < 1


def test_photos_that_disagree_widen_it_by_the_birge_ratio():
    q, ratio = join_quantities([Quantity(1.00, 0.01), Quantity(1.04, 0.01)])
    assert ratio == pytest.approx(0.04 / np.sqrt(2) / 0.01)
    assert q is not None and q.value == pytest.approx(1.02) and q.u == pytest.approx(0.01 * ratio)


def test_a_contradiction_is_said():
    a, b = made.pattern(), made.pattern(families=(made.family("right", 1.05), made.family("left")))
    joined = join_repeats([a, b])
    assert any("differ by more than their uncertainties: normal pitch" in n for n in joined.notes)


def test_a_photo_that_could_not_be_measured_is_left_out_and_named():
    joined = join_repeats([made.nothing("out of focus"), made.pattern()])
    assert joined.form == "RGE"
    assert any("photo 1 could not be measured" in n and "out of focus" in n for n in joined.notes)
    assert join_repeats([made.nothing(), made.nothing()]).form is None


def test_two_different_parts_are_not_joined():
    joined = join_repeats([made.pattern(), made.pattern("RBR", (made.family("right"),))])
    assert joined.form is None and "are they of one part" in joined.cannot[0]


def test_double_tracking_seen_once_is_seen():
    clean, double = made.pattern(), made.pattern(families=(made.family("right", ghost=0.5), made.family("left")))
    track = join_repeats([clean, double]).families[0].double_track
    assert track.present is True and track.ghost_ratio == Quantity(0.5, 0.02)


@pytest.mark.parametrize(
    ("odds", "present"),
    [
        ((-2.0, -0.4, -0.45), False),  # nobody speaks for it, together clearly against it
        ((-2.0, 0.3, -1.5), None),  # one photo rather speaks for it: perhaps that side alone is doubled
        ((-0.6, -0.45, -0.4), None),  # together not clear enough
        ((-2.0, None, -1.5), None),  # nothing could be read in one of them
    ],
)
def test_doubt_in_single_photos_is_settled_only_by_all_together(odds, present):
    def photo(log_odds):
        clean = made.family("right").double_track
        track = replace(clean, log_odds=log_odds)
        if log_odds is None or log_odds >= CLEAN_BELOW:
            track = replace(track, present=None, ghost_ratio=None)
        return made.pattern(families=(replace(made.family("right"), double_track=track), made.family("left")))

    assert join_repeats([photo(o) for o in odds]).families[0].double_track.present is present


def test_whole_counts_that_disagree_are_not_whole():
    a = made.pattern(families=(made.family("right", whole=54), made.family("left", whole=54)))
    b = made.pattern(families=(made.family("right", whole=55), made.family("left")))
    joined = join_repeats([a, b])
    assert joined.families[0].teeth_whole is None and joined.families[1].teeth_whole == 54


def test_the_inputs_stay_as_they_are():
    patterns = [made.pattern(), made.pattern()]
    before = [replace(p) for p in patterns]
    join_repeats(patterns)
    assert [p.families for p in patterns] == [p.families for p in before]


def test_what_one_photo_contradicts_is_contradicted():
    unsure = made.pattern(agreement="Hough and Fourier disagree on the left lines", lines_contradicted=True)
    joined = join_repeats([made.pattern(), unsure])
    assert (joined.lines_contradicted, joined.agreement) == (True, unsure.agreement)
    assert not join_repeats([made.pattern(), made.pattern()]).lines_contradicted
