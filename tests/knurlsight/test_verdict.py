"""The decision rule, the checks, and how they add up to a verdict."""

from __future__ import annotations

import math
from dataclasses import replace

import made_patterns as made
import pytest
from hypothesis import given
from hypothesis import strategies as st
from knurlsight import verdict
from knurlsight.model import Family
from knurlsight.setup_math.expected import expectation
from knurlsight.setup_math.limits import limits
from knurlsight.setup_math.setup import setup_from_text
from knurlsight.verdict import Check, decide, judge, worst
from photoscale.quantity import Quantity


def checks_of(pattern, setup: str = made.SETUP, **options) -> dict[str, Check]:
    wanted = setup_from_text(setup)
    basis = expectation(wanted)
    found = judge(
        pattern,
        basis.pattern,
        limits(wanted, basis.pattern),
        wanted.tolerance.guard_factor,
        blank_diameter_mm=basis.blank_diameter_mm,
        **options,
    )
    return {c.name: c for c in found}


# --- the rule --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "wanted"),
    [
        (1.00, 0.01, 0.96, 1.04, "pass"),
        (1.02, 0.01, 0.96, 1.04, "pass"),  # the interval ends on the limit: still inside
        (1.021, 0.01, 0.96, 1.04, "cannot_tell"),
        (1.059, 0.01, 0.96, 1.04, "cannot_tell"),
        (1.061, 0.01, 0.96, 1.04, "fail"),
        (0.939, 0.01, 0.96, 1.04, "fail"),
        (0.05, 0.02, None, 0.10, "pass"),
        (0.30, 0.02, None, 0.10, "fail"),
        (0.95, 0.50, 0.0, None, "cannot_tell"),
    ],
)
def test_decide(value, u, lower, upper, wanted):
    assert decide(Quantity(value, u), lower, upper) == wanted


def test_guarded_acceptance_against_one_limit_is_977_per_cent():
    # JCGM 106:2012: with a guard band of 2u against one limit the conformance probability is at least 97.7 %
    u, upper = 0.01, 1.0
    assert decide(Quantity(upper - 2 * u, u), None, upper) == "pass"
    probability = 0.5 * (1 + math.erf(2 / math.sqrt(2)))
    assert probability == pytest.approx(0.977, abs=5e-4)


def test_a_guard_factor_of_165_decides_more():
    # ISO 14253-1:2017 defaults to 1.65 (95 %)
    q = Quantity(1.0225, 0.01)
    assert decide(q, 0.96, 1.04) == "cannot_tell"
    assert decide(q, 0.96, 1.04, guard_factor=1.65) == "pass"


def test_bounded_figures_are_clipped_to_their_range():
    # a balance of 1 cannot be exceeded, so the upper half of its interval is no reason for doubt
    assert decide(Quantity(1.02, 0.1), 0.75, 1.0, within=(0.0, 1.0)) == "pass"
    assert decide(Quantity(1.02, 0.1), 0.75, 1.0) == "cannot_tell"


@given(
    st.floats(-10, 10), st.floats(0.001, 5), st.floats(-5, 5), st.floats(0.01, 5), st.floats(0.5, 3), st.floats(1.01, 4)
)
def test_more_uncertainty_never_turns_a_doubt_into_a_decision(value, u, lower, width, guard, factor):
    upper = lower + width
    small, large = (decide(Quantity(value, s), lower, upper, guard) for s in (u, u * factor))
    if small == "cannot_tell":
        assert large == "cannot_tell"
    else:
        assert large in (small, "cannot_tell")


def test_order():
    assert worst(["pass", "cannot_tell", "fail"]) == "fail"
    assert worst(["pass", "cannot_tell"]) == "cannot_tell"
    assert worst(["pass", "pass"]) == "pass"
    assert worst([]) == "cannot_tell"


# --- the checks ------------------------------------------------------------------------------------------------------


def test_a_good_diamond_passes_every_check():
    checks = checks_of(made.pattern())
    assert {c.verdict for c in checks.values()} == {"pass"}
    assert set(checks) == {
        "form",
        "normal pitch of the right-hand family",
        "normal pitch of the left-hand family",
        "helix of the right-hand family",
        "helix of the left-hand family",
        "included angle",
        "double tracking (ghost ratio), right-hand family",
        "balance of the two families",
        "form fill",
        "run-in at end 1",
        "run-in at end 2",
    } | {n for n in checks if n.startswith("double tracking")}


def test_words_are_a_machinists():
    check = checks_of(made.pattern(families=(made.family("right", 1.008), made.family("left", 1.008))))[
        "normal pitch of the right-hand family"
    ]
    assert check.words() == "normal pitch of the right-hand family 1.008 ± 0.006 mm, wanted 0.96 to 1.04 mm"
    assert check.words("in") == "normal pitch of the right-hand family 0.03969 ± 0.00024 in, wanted 0.0378 to 0.0409 in"


def test_default_limits_say_so():
    checks = checks_of(made.pattern())
    assert "(default limit)" in checks["form fill"].words()
    assert "(default limit)" not in checks["helix of the left-hand family"].words()


def test_wrong_form_fails():
    pattern = made.pattern("RBR", (made.family("right"),))
    checks = checks_of(pattern)
    assert checks["form"].verdict == "fail"
    assert "RBR (diagonal, right-hand)" in checks["form"].words()
    assert checks["normal pitch of the left-hand family"].verdict == "cannot_tell"
    assert "no left-hand family was found" in checks["normal pitch of the left-hand family"].words()


def test_wrong_pitch_of_one_family_fails():
    checks = checks_of(made.pattern(families=(made.family("right", 1.1), made.family("left"))))
    assert checks["normal pitch of the right-hand family"].verdict == "fail"
    assert checks["normal pitch of the left-hand family"].verdict == "pass"


def test_double_tracking_is_judged_on_the_family_that_decides():
    checks = checks_of(made.pattern(families=(made.family("right"), made.family("left", ghost=0.4))))
    assert checks["double tracking (ghost ratio), left-hand family"].verdict == "fail"


def test_a_family_whose_ghost_is_not_known_leaves_the_limit_open():
    from dataclasses import replace

    dark = made.family("left")
    dark = replace(dark, double_track=replace(dark.double_track, present=None, ghost_ratio=None, words="in glare"))
    checks = checks_of(made.pattern(families=(made.family("right"), dark)))
    check = checks["double tracking (ghost ratio), left-hand family"]
    assert (check.verdict, check.measured) == ("cannot_tell", None)
    broken = checks_of(made.pattern(families=(made.family("right", ghost=0.5), dark)))
    assert broken["double tracking (ghost ratio), right-hand family"].verdict == "fail"


def test_a_perfect_double_track_reads_as_half_the_pitch_and_fails():
    checks = checks_of(made.pattern(families=(made.family("right", 0.5), made.family("left", 0.5))))
    pitch = checks["normal pitch of the right-hand family"]
    assert pitch.verdict == "fail" and "complete second track" in pitch.words()
    ghost = next(c for n, c in checks.items() if n.startswith("double tracking"))
    assert ghost.verdict == "fail" and "half the pitch" in ghost.words()


def test_twice_the_pitch_with_as_deep_a_second_track_may_be_the_pitch_wanted():
    def pitches(factor: float, ghost: float) -> dict[str, Check]:
        both = tuple(made.family(hand, factor, ghost=ghost) for hand in ("right", "left"))
        return checks_of(made.pattern(families=both))

    doubtful = pitches(2.0, 0.9)
    assert {c.verdict for c in doubtful.values() if c.key in ("pitch", "ghost_ratio")} == {"cannot_tell"}
    assert "every second line" in doubtful["normal pitch of the right-hand family"].words()
    # not so deep a second track, or another pitch, is what it looks like
    for factor, ghost in ((2.0, 0.4), (1.0, 0.9), (1.7, 0.9)):
        found = pitches(factor, ghost)
        assert next(c for n, c in found.items() if n.startswith("double tracking")).verdict == "fail"


def counted(found: Family, teeth_off: float) -> Family:
    """The family with another count round, its axial pitch as it was."""
    assert found.teeth is not None and found.axial_pitch is not None and found.transverse_pitch is not None
    teeth = found.teeth.value + teeth_off
    around, along = 20 * math.pi / teeth, found.axial_pitch.value
    return replace(
        found,
        teeth=Quantity(teeth, 0.2),
        teeth_fit=teeth,
        transverse_pitch=Quantity(around, 0.003, "mm"),
        normal_pitch=Quantity(1 / math.hypot(1 / around, 1 / along), 0.003, "mm"),
        helix_angle=Quantity(math.degrees(math.atan2(around, along)), 0.2, "deg"),
    )


def test_a_count_alone_that_no_wheel_can_roll_is_in_doubt():
    # 9 % of the pitch off, but exactly as wanted along the part: light, since another wheel changes both
    off = checks_of(made.pattern(families=(counted(made.family("right"), 6.0), made.family("left"))))
    pitch = off["normal pitch of the right-hand family"]
    assert (pitch.verdict, pitch.measured.value < 0.95) == ("cannot_tell", True)
    assert "round it alone" in pitch.words()
    assert off["helix of the right-hand family"].verdict != "fail"
    # a coarser wheel: both pitches are larger
    coarse = checks_of(made.pattern(families=(made.family("right", 1.1), made.family("left"))))
    assert coarse["normal pitch of the right-hand family"].verdict == "fail"


def test_rows_of_crossings_are_not_another_form():
    # a square with an axial line for every tooth and two rings to an axial pitch: the crossings of the diamond wanted
    teeth, axial = made.family("right").teeth.value, made.family("right").axial_pitch.value
    square = (
        replace(made.family("axial"), teeth_fit=teeth),
        replace(made.family("ring"), axial_pitch_radii=axial / 2 / made.RADIUS_MM),
    )
    check = checks_of(made.pattern("RKE", square))["form"]
    assert check.verdict == "cannot_tell" and "crossings" in check.words()
    # other rings are another knurl
    other = (square[0], replace(square[1], axial_pitch_radii=axial / 2.6 / made.RADIUS_MM))
    assert checks_of(made.pattern("RKE", other))["form"].verdict == "fail"


@pytest.mark.parametrize(("axial_mm", "told"), [(1.0, False), (0.5, True)])
def test_rings_alone_at_half_the_pitch_are_light(axial_mm, told):
    square = (
        made.SETUP.replace('form = "RGE"', 'form = "RKE"')
        .replace('helix = "30 deg"\n', "")
        .replace('helix = "2 deg"\n', "")
    )
    checks = checks_of(made.pattern("RKE", (made.family("axial", axial_mm), made.family("ring", 0.5))), square)
    rings = checks["normal pitch of the ring family"]
    assert rings.verdict == ("fail" if told else "cannot_tell")
    assert ("second track" in rings.words()) == told
    assert any(c.key == "ghost_ratio" and c.verdict == "fail" for c in checks.values()) == told


@pytest.mark.parametrize(("balance", "told"), [(0.5, False), (0.9, True)])
def test_the_lines_wanted_crossed_by_faint_ones_are_no_diamond_for_sure(balance, told):
    leaning = made.SETUP.replace('form = "RGE"', 'form = "RBL"')
    families = (made.family("left", ghost=0.6), made.family("right", helix_deg=24.0))
    checks = checks_of(made.pattern(families=families, balance=Quantity(balance, 0.08)), leaning)
    assert checks["form"].verdict == ("fail" if told else "cannot_tell")
    assert any(c.key == "ghost_ratio" and c.verdict == "fail" for c in checks.values()) == told


def test_another_form_is_in_doubt_where_fourier_and_hough_disagree():
    straight = (made.family("axial"),)
    unsure = made.pattern("RAA", straight, lines_contradicted=True)
    assert checks_of(unsure)["form"].verdict == "cannot_tell"
    assert checks_of(made.pattern("RAA", straight))["form"].verdict == "fail"


def test_a_pitch_that_fourier_and_hough_read_differently_does_not_fail():
    fine = (made.family("right", 0.9), made.family("left", 0.9))
    assert checks_of(made.pattern(families=fine))["normal pitch of the left-hand family"].verdict == "fail"
    unsure = made.pattern(families=fine, lines_contradicted=True)
    check = checks_of(unsure)["normal pitch of the left-hand family"]
    assert check.verdict == "cannot_tell" and "Hough" in check.words()


@pytest.mark.parametrize(
    ("diameter_mm", "pitch_mm", "doubted"), [(18.4, 0.92, True), (18.4, 0.9, False), (20.0, 0.92, False)]
)
def test_a_scale_that_makes_all_smaller_does_not_fail_a_part(diameter_mm, pitch_mm, doubted):
    fine = (made.family("right", pitch_mm), made.family("left", pitch_mm))
    checks = checks_of(made.pattern(families=fine, outside_diameter=Quantity(diameter_mm, 0.05, "mm")))
    check = checks["normal pitch of the left-hand family"]
    assert check.verdict == ("cannot_tell" if doubted else "fail")
    assert ("scale" in check.words()) == doubted


def test_one_light_does_not_tell_raised_from_recessed():
    check = checks_of(made.pattern("RGV"))["form"]
    assert check.verdict == "cannot_tell" and "look alike" in check.words()


@pytest.mark.parametrize(("diameter_mm", "judged"), [(18.3, True), (21.8, True), (17.0, False), (24.0, False)])
def test_a_part_of_another_size_is_not_judged(diameter_mm, judged):
    # no setting of the tool changes a diameter by a tenth: it is the photo that was misread, or another part
    doubled = (made.family("right", ghost=0.8), made.family("left", ghost=0.8))
    checks = checks_of(made.pattern(families=doubled, outside_diameter=Quantity(diameter_mm, 0.05, "mm")))
    found = {c.verdict for c in checks.values()}
    assert ("fail" in found) == judged
    if not judged:
        assert found == {"cannot_tell"}
        (line,) = verdict.reasons(list(checks.values()), "cannot_tell")
        assert "outside diameter" in line and "another part" in line


def test_without_a_scale_lengths_cannot_be_told_but_the_rest_is_judged():
    checks = checks_of(made.pattern(), no_lengths="no scale in the photo")
    assert checks["normal pitch of the right-hand family"].verdict == "cannot_tell"
    assert "no scale in the photo" in checks["normal pitch of the right-hand family"].words()
    assert checks["run-in at end 1"].verdict == "cannot_tell"
    assert checks["helix of the right-hand family"].verdict == "pass"
    assert checks["form"].verdict == "pass"


def test_figures_that_were_not_measured_are_never_a_pass():
    stated = made.SETUP.replace('pitch_drift = "off"', 'pitch_drift = "3 %"')
    check = checks_of(made.pattern(), stated)["pitch drift"]
    assert (check.verdict, check.measured) == ("cannot_tell", None)


@pytest.mark.parametrize(("whole", "wanted"), [(54, "pass"), (55, "fail")])
def test_teeth_are_judged_when_the_whole_count_is_known(whole, wanted):
    setup = made.SETUP.replace('helix = "30 deg"\n[', 'helix = "30 deg"\nteeth = 54\n[')
    families = (made.family("right", whole=whole), made.family("left", whole=whole))
    assert checks_of(made.pattern(families=families), setup)["teeth of the right-hand family"].verdict == wanted
    assert "teeth of the right-hand family" not in checks_of(made.pattern(), setup)


def test_teeth_with_a_stated_limit_are_not_passed_over():
    setup = made.SETUP.replace('helix = "30 deg"\n[', 'helix = "30 deg"\nteeth = 54\n[') + "teeth = 1\n"
    assert checks_of(made.pattern(), setup)["teeth of the right-hand family"].verdict == "cannot_tell"


def test_limits_at_the_blank_compare_there():
    # design.md's example: RGE 0.8 rolled on 19.464 mm reads 0.8164 and 30.68° at a crest of 20 mm (DIN 82 growth)
    setup = """
[part]
outside_diameter = "20 mm"
blank_diameter = "19.464 mm"
[pattern]
form = "RGE"
normal_pitch = "0.8164 mm"
helix = "30.68 deg"
[tolerance]
at = "blank"
pitch = "1 %"
helix = "0.5 deg"
"""
    families = tuple(made.family(h, 0.8164, 30.68, u_rel=0.001, u_helix_deg=0.05) for h in ("right", "left"))
    checks = checks_of(made.pattern(families=families), setup)
    pitch = checks["normal pitch of the right-hand family"]
    assert pitch.at == "blank"
    assert pitch.measured is not None and pitch.measured.value == pytest.approx(0.8, abs=1e-4)
    assert pitch.nominal == pytest.approx(0.8, abs=1e-4)
    assert pitch.verdict == "pass" and "at the blank" in pitch.words()
    helix = checks["helix of the right-hand family"]
    assert helix.measured is not None and helix.measured.value == pytest.approx(30.0, abs=0.01)


# --- the whole -------------------------------------------------------------------------------------------------------


def test_the_part_is_as_its_worst_check_and_the_file_as_its_worst_part():
    good, bad = made.pattern(), made.pattern(families=(made.family("right", 1.2), made.family("left")))
    assert made.inspected(good).verdict == "pass"
    failed = made.inspected(bad)
    assert failed.verdict == failed.parts[0].verdict == "fail"
    assert any("normal pitch of the right-hand family" in r for r in failed.reasons)


def test_a_part_that_could_not_be_read_cannot_be_told_and_says_why():
    inspection = made.inspected(made.nothing("blown-out glare over the pattern; move the lamp and shoot again"))
    assert inspection.verdict == "cannot_tell"
    assert inspection.reasons == ("blown-out glare over the pattern; move the lamp and shoot again",)


def test_without_a_setup_nothing_is_judged_and_the_standard_pitches_are_listed():
    inspection = made.inspected(made.pattern(families=(made.family("right", 1.209), made.family("left", 1.209))), None)
    assert inspection.verdict is None
    fitting = inspection.parts[0].fitting
    assert fitting is not None
    # 21 teeth per inch and 1.2 mm differ by 0.8 %: a photo cannot tell them apart
    assert {"1.2 mm", "21 teeth per inch (medium)"} <= {row.designation for row in fitting.fitting}
    assert "cannot be told apart" in fitting.sentence
    assert made.inspected(made.nothing(), None).verdict == "cannot_tell"


def test_like_reasons_are_said_once():
    inspection = made.inspected(made.pattern(), no_scale="no scale in the photo")
    assert inspection.verdict == "cannot_tell"
    assert len([r for r in inspection.reasons if "no scale in the photo" in r]) == 1
    assert verdict.reasons(inspection.parts[0].checks, "pass") == ()
