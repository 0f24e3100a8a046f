"""From faults to causes and remedies."""

from __future__ import annotations

import math
from dataclasses import replace

import made_patterns as made
import pytest
from knurlsight.faults.causes import causes_of, facts, table
from knurlsight.model import Fault
from knurlsight.setup_math.expected import expectation
from knurlsight.setup_math.limits import limits
from knurlsight.setup_math.setup import setup_from_text
from knurlsight.verdict import judge
from photoscale.quantity import Quantity

WHEELS = """
[part]
outside_diameter = "20 mm"
blank_diameter = "{blank}"
[[wheel]]
hand = "left"
pitch = "1.0 mm"
[[wheel]]
hand = "right"
pitch = "1.0 mm"
[holder]
kind = "{holder}"
"""


def causes(pattern, setup=made.SETUP, units="mm"):
    wanted = setup_from_text(setup)
    basis = expectation(wanted)
    checks = judge(pattern, basis.pattern, limits(wanted, basis.pattern))
    return causes_of(pattern, checks, wanted, basis, units)


def double():
    return made.pattern(families=(made.family("right", ghost=0.6), made.family("left", ghost=0.6)))


def test_a_good_part_has_no_causes():
    assert causes(made.pattern()) == ()


def test_the_table_is_whole():
    rows = table()
    assert len({r.kind for r in rows}) == len(rows) >= 15
    for row in rows:
        assert row.causes and row.seen and row.source
        for cause in row.causes:
            assert cause.cause and cause.remedy_plain and "{" not in cause.remedy_plain
            assert "{" not in cause.remedy or cause.remedy != cause.remedy_plain, f"{cause.cause}: needs a plain remedy"


def test_a_blank_between_two_counts_is_the_likely_cause_with_the_numbers_to_turn():
    # 53.5 teeth of 1.0 mm at 30°: d = 53.5 x (1 / cos 30°) / π = 19.664 mm (d2 = N p_t / π, common practice)
    found = causes(double(), WHEELS.format(blank="19.664 mm", holder="two wheels fixed"))
    first = found[0]
    assert (first.cause, first.likelihood) == ("blank between two whole counts", "likely")
    assert "53.50 teeth" in first.evidence and "ghost" in first.evidence
    assert "19.48 mm (53 teeth)" in first.remedy and "19.848 mm (54 teeth)" in first.remedy
    inches = causes(double(), WHEELS.format(blank="19.664 mm", holder="two wheels fixed"), "in")
    assert "0.7669 in (53 teeth)" in inches[0].remedy


def test_a_blank_on_a_whole_count_is_not_blamed():
    found = causes(double(), WHEELS.format(blank="19.848 mm", holder="two wheels fixed"))
    assert "blank between two whole counts" not in [c.cause for c in found]
    assert found[0].cause == "first bite too light" and found[0].likelihood == "possible"


def test_one_family_double_points_at_its_wheel():
    found = causes(made.pattern(families=(made.family("right"), made.family("left", ghost=0.5))))
    assert found[0].cause == "one wheel dull or stiff on its pin" and found[0].likelihood == "likely"
    assert "left-hand" in found[0].remedy


@pytest.mark.parametrize("holder", ["two wheels fixed", "two wheels pivoting"])
def test_a_pivoting_head_levels_itself(holder):
    from dataclasses import replace

    from photoscale.quantity import Quantity

    weak = replace(made.pattern(), balance=Quantity(0.55, 0.04))
    found = [c.cause for c in causes(weak, WHEELS.format(blank="19.48 mm", holder=holder))]
    assert ("tool off centre height" in found) is (holder == "two wheels fixed")
    assert any("pivot" in c for c in found) is (holder == "two wheels pivoting")


def test_leaning_diamonds_say_by_how_much():
    leaning = made.pattern(families=(made.family("right", 1.0, 33.5), made.family("left", 1.0, 26.5)))
    first = causes(leaning)[0]
    assert first.fault == "leaning diamonds" and first.likelihood == "likely"
    assert "3.5°" in first.remedy


def test_a_pitch_far_off_is_another_wheel_and_a_count_off_is_not():
    far = causes(made.pattern(families=(made.family("right", 1.2), made.family("left", 1.2))))
    assert far[0].fault == "pitch wrong by a steady per cent" and far[0].likelihood == "likely"
    assert "1.2 mm" in far[0].remedy and "+20.0 %" in far[0].evidence
    # one tooth in 54 is 1.9 %: the smallest real error (1/N)
    setup = made.SETUP.replace('helix = "30 deg"\n[', 'helix = "30 deg"\nteeth = 54\n[').replace("4 %", "1 %")
    off = 54 / 53
    near = causes(made.pattern(families=tuple(made.family(h, off, u_rel=0.001) for h in ("right", "left"))), setup)
    assert near[0].cause == "count one tooth off" and "-1 tooth in 54" in near[0].evidence


def repeating(kind, spacing_mm, process=""):
    """Causes of a fault that repeats on a part of 20 mm with 54.41 lines round it."""
    fault = Fault(kind, kind, spacing=Quantity(spacing_mm, 0.01, "mm"))
    return causes(replace(made.pattern(), faults=(fault,)), made.SETUP + process)


def test_marks_name_the_wheels_that_leave_them():
    # 20 lines of 1.0 mm / cos 30° apart: the wheel has 20 teeth, or 54 less or more; plane arithmetic
    first = repeating("wheel_mark", 20 / math.cos(math.pi / 6))[0]
    assert first.likelihood == "likely"
    for teeth in (20, 34, 74):
        assert f"{teeth} teeth ({teeth / math.cos(math.pi / 6) / math.pi:.1f}"[:12] in first.remedy


def test_marks_that_fit_the_wheel_in_the_holder_name_it_alone():
    wheel = '[[wheel]]\nhand = "left"\npitch = "1.0 mm"\nteeth = 74\n'
    first = repeating("wheel_mark", 20 / math.cos(math.pi / 6), wheel)[0]
    assert "74 teeth" in first.remedy and "34 teeth" not in first.remedy


@pytest.mark.parametrize(("chuck", "cause"), [("left", "the feed ended at the chuck"), ("right", "work bends away")])
def test_which_end_fades_tells_the_likely_cause(chuck, cause):
    fault = Fault("fading", "fades", from_mm=0.0, to_mm=3.1, severity=Quantity(3.1, 0.4, "mm"))
    setup = made.SETUP.replace("[part]\n", f'[part]\nchuck_end = "{chuck}"\n')
    first = causes(replace(made.pattern(), faults=(fault,)), setup)[0]
    assert first.cause.startswith(cause) and first.likelihood == "likely" and "3.1" in first.evidence


def test_rings_at_the_distance_of_the_feed_are_the_feed():
    process = '[process]\nfeed_per_turn = "0.3 mm"\n'
    assert repeating("feed_rings", 0.301, process)[0].likelihood == "likely"
    other = repeating("feed_rings", 0.4, process)
    assert [c.likelihood for c in other] == ["possible"] and "0.4" in other[0].remedy


def test_chatter_says_how_many_times_a_second():
    # 2 π 10 mm / 2 mm = 31.4 waves a turn; at 120 r/min twice as many a second
    first = repeating("chatter", 2.0, "[process]\nspindle_speed = 120\n")[0]
    assert "31 waves" in first.evidence and "63 Hz" in first.evidence


def test_wrong_form_is_not_also_a_wrong_pitch():
    found = causes(made.pattern("RBR", (made.family("right", 1.2),)))
    assert {c.fault for c in found} == {"another pattern than asked for"}


def test_facts_come_from_the_setup_alone_when_nothing_was_measured():
    assert "blank_between_counts" not in facts(made.nothing(), (), None, None)
