"""From faults to causes and remedies."""

from __future__ import annotations

import made_patterns as made
import pytest
from knurlsight.faults.causes import causes_of, facts, table
from knurlsight.setup_math.expected import expectation
from knurlsight.setup_math.limits import limits
from knurlsight.setup_math.setup import setup_from_text
from knurlsight.verdict import judge

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


def test_wrong_form_is_not_also_a_wrong_pitch():
    found = causes(made.pattern("RBR", (made.family("right", 1.2),)))
    assert {c.fault for c in found} == {"another pattern than asked for"}


def test_facts_come_from_the_setup_alone_when_nothing_was_measured():
    assert "blank_between_counts" not in facts(made.nothing(), (), None, None)
