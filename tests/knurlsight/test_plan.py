"""Plans: blanks, finished diameters, setup files and refusals."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from knurlsight.errors import PlanError
from knurlsight.planning.backwards import MeasuredKnurl, candidates, measured_from_result
from knurlsight.planning.plan import Plan, PlanRequest, WheelWanted, make_plan, wheels_for
from knurlsight.planning.remarks import remarks
from knurlsight.planning.text import explain_text, plan_json, plan_setup_text, plan_text
from knurlsight.setup_math.expected import expected_pattern
from knurlsight.setup_math.forms import FORMS, is_diagonal
from knurlsight.setup_math.growth import fill_for_growth
from knurlsight.setup_math.practice import advice, feeds_mm, material_group, spindle_speeds_rpm
from knurlsight.setup_math.setup import setup_from_text
from knurlsight.setup_math.setup_values import Range
from knurlsight.setup_math.tracking import teeth_on_blank
from knurlsight.units import parse_pitch


def plan(form: str, pitch: str | None = "0.8mm", wheel: dict[str, Any] | None = None, **asked: Any) -> Plan:
    wanted = WheelWanted(pitch=parse_pitch(pitch) if pitch else None, **(wheel or {}))
    one = asked.get("holder") == "one wheel"
    wheels = wheels_for(form, wanted, None, asked.get("swivel_deg", 0.0), one)  # type: ignore[arg-type]
    return make_plan(PlanRequest(form=form, wheels=wheels, **asked))  # type: ignore[arg-type]


def test_full_form_without_bite_is_din_82() -> None:
    """Rows track-n, track-d and din82-k-RGE of the reference: 66 teeth on 19.4068 mm, growth 0.67 t (± 0.004 t)."""
    made = plan("RGE", outside_diameter_mm=20.0, fill=1.0, bite_mm=0.0)
    assert made.blank.teeth == 66
    assert made.blank.blank_diameter_mm == pytest.approx(19.4068, abs=5e-5)
    assert made.blank.growth_mm == pytest.approx(0.67 * 0.8, abs=0.004 * 0.8)
    assert made.step_mm == pytest.approx(0.29404, abs=5e-6)  # row track-step-30
    assert made.expected.families[0].normal_pitch_mm == pytest.approx(0.8163, abs=1e-4)


def test_handbook_example_by_blank_and_by_cant() -> None:
    """Machinery's Handbook, 31st ed., p. 1059: 1 in, 160 pitch, 30°: 138.56 teeth; 138 on 0.996 in."""
    made = plan("RBR", "dp160", blank_diameter_mm=25.4, swivel_deg=30.0)
    assert made.blank.counts[0].teeth_real == pytest.approx(138.56, abs=0.005)
    assert made.blank.mismatch == pytest.approx(-0.436, abs=0.005)
    below = next(b for b in made.blanks if b.teeth == 138)
    assert below.blank_diameter_mm / 25.4 == pytest.approx(0.996, abs=0.0005)
    assert "invites double tracking" in " ".join(remarks(made))


def test_diametral_pitch_holds_on_the_blank() -> None:
    """ANSI/ASME B94.6: 96 × 1/2 = 48, its tracking correction allowing for the bite."""
    made = plan("RAA", "dp96", blank_diameter_mm=12.7)
    assert (made.blank.teeth, made.bite_mm) == (48, 0.0)
    assert abs(made.blank.mismatch) < 1e-9


def test_plunging_example() -> None:
    """A knurl maker's data sheet: 47 teeth on 0.75 in; 31 teeth at 0.499 in, 30 at 0.483 in."""
    wheel = {"teeth": 47, "diameter_mm": 19.05}
    made = plan("RAA", None, wheel, outside_diameter_mm=13.2, method="plunge")
    by_count = {b.teeth: b.blank_diameter_mm / 25.4 for b in made.blanks}
    assert by_count[31] == pytest.approx(0.499, abs=0.0005)
    assert by_count[30] == pytest.approx(0.483, abs=0.0005)


def test_one_operator_s_growth_is_a_usual_fill() -> None:
    """Common practice, no source: a bar of 1.988 in grew to 2.012 in at 21 teeth per inch, diamond."""
    fill = fill_for_growth("RGE", 25.4 / 21, (2.012 - 1.988) * 25.4)
    assert fill is not None and 0.5 < fill < 1.0


def test_one_operator_s_practice_is_not_contradicted() -> None:
    """Common practice, no source: 0.0025 in a turn at 150 r/min crisp and 0.014 in poor; a cant of 5°; one firm "
    "infeed."""
    steel = material_group("steel")
    assert steel is not None
    fine, coarse = feeds_mm(25.4 / 21)
    assert fine <= 0.0025 * 25.4
    slow, fast = spindle_speeds_rpm(steel, 50.5)
    assert slow <= 150 <= fast
    rows = {row.what: row for row in advice(steel, 25.4 / 21, 50.5, "axial", 8.0)}
    assert "light lathe takes the fine end, the coarse end comes out poor" in rows["feed"].reason
    assert coarse >= 0.014 * 25.4
    assert rows["cant"].high == 5.0
    assert "the other way and roll away from the chuck" in rows["cant"].reason
    assert rows["passes"].low == 1 and "one firm infeed is better than small steps" in rows["passes"].reason
    assert "flushing" in rows["lubricant"].reason
    assert all(row.source == "common practice" for row in rows.values())
    # The dial went 25 to 40 thou in; the penetration must be less, the rest is spring.
    assert 2 * plan("RGE", "21tpi", outside_diameter_mm=51.1).penetration_mm < 0.025 * 25.4


def test_hardening_metals_get_few_passes() -> None:
    stainless = material_group("stainless steel 304")
    assert stainless is not None and stainless.hardens
    rows = {row.what: row for row in advice(stainless, 1.0, 20.0, "axial", 8.0)}
    assert rows["passes"].high == 1
    assert "few turns" in rows["turns under the wheel"].reason
    assert material_group("unobtainium") is None and material_group(None) is None


@st.composite
def requests(draw: Any) -> PlanRequest:
    form = draw(st.sampled_from(sorted(FORMS)))
    pitch = draw(st.sampled_from(["0.5mm", "0.8mm", "1.2mm", "21tpi", "33tpi", "m0.3", "dp96", "dp64"]))
    helix = draw(st.sampled_from([15.0, 30.0, 45.0])) if is_diagonal(form) else None
    wanted = WheelWanted(pitch=parse_pitch(pitch), helix_deg=helix)
    return PlanRequest(
        form=form,
        wheels=wheels_for(form, wanted),
        outside_diameter_mm=draw(st.floats(min_value=10, max_value=80)),
        fill=draw(st.floats(min_value=0.6, max_value=1.0)),
        bite_mm=draw(st.sampled_from([None, 0.0, 0.03, 0.05])),
    )


@settings(max_examples=80, deadline=None)
@given(requests())
def test_every_proposed_blank_has_a_whole_count(request: PlanRequest) -> None:
    made = make_plan(request)
    family = next(f for f in made.families if f.hand != "ring")
    for blank in made.blanks:
        real = teeth_on_blank(blank.blank_diameter_mm, family.transverse_pitch_mm, made.bite_mm)
        assert real == pytest.approx(blank.teeth, abs=1e-6)
        assert blank.outside_diameter_mm == pytest.approx(blank.blank_diameter_mm + blank.growth_mm)
    wanted = request.outside_diameter_mm
    assert wanted is not None
    assert abs(made.blank.outside_diameter_mm - wanted) <= made.step_mm / 2 + 1e-6
    for seen in made.expected.families:
        if seen.teeth is not None and seen.transverse_pitch_mm is not None:
            assert seen.transverse_pitch_mm * seen.teeth == pytest.approx(
                math.pi * (made.expected.outside_diameter_mm or 0.0)
            )


@settings(max_examples=60, deadline=None)
@given(requests())
def test_the_setup_file_leads_to_the_same_pattern(request: PlanRequest) -> None:
    made = make_plan(request)
    read = setup_from_text(plan_setup_text(made))
    assert read == made.setup
    assert expected_pattern(read) == made.expected


@settings(max_examples=40, deadline=None)
@given(requests())
def test_inch_and_mm_plans_agree(request: PlanRequest) -> None:
    mm, inch = make_plan(request, "mm"), make_plan(request, "in")
    assert mm.blanks == inch.blanks and mm.chosen == inch.chosen
    read = setup_from_text(plan_setup_text(inch, "in"))
    for a, b in zip(expected_pattern(read).families, mm.expected.families, strict=True):
        assert a.normal_pitch_mm == pytest.approx(b.normal_pitch_mm, rel=3e-5)
        assert a.teeth == b.teeth


@settings(max_examples=40, deadline=None)
@given(requests())
def test_texts_stand(request: PlanRequest) -> None:
    made = make_plan(request)
    assert all(len(line) <= 118 for line in plan_text(made).splitlines())
    assert "source:" in explain_text(made)
    assert plan_json(made)["blanks"][made.chosen]["teeth"] == made.blank.teeth


def test_limits_choose_and_refuse() -> None:
    made = plan("RGE", outside_limits=Range(19.6, 19.8))
    assert made.blank.within_limits and made.blank.teeth == 65
    with pytest.raises(PlanError, match="no whole count finishes between") as caught:
        plan("RGE", outside_limits=Range(19.75, 19.80))
    assert "65 teeth give 19.666 mm" in caught.value.message


def test_a_bar_is_what_there_is() -> None:
    made = plan("RGE", "21tpi", bar_mm=25.4)
    assert made.blank.blank_diameter_mm <= 25.4
    assert made.blank == made.blanks[-1]


def test_wheels_not_alike_have_counts_each() -> None:
    wheels = wheels_for("RGE", WheelWanted(pitch=parse_pitch("0.8mm")), WheelWanted(pitch=parse_pitch("0.81mm")))
    made = make_plan(PlanRequest("RGE", wheels, outside_diameter_mm=20.0))
    assert len(made.blank.counts) == 2
    teeth = {f.hand: f.teeth for f in made.expected.families}
    assert teeth["left"] is not None and teeth["right"] is not None and teeth["left"] > teeth["right"]
    assert made.setup.pattern.teeth is None


def test_a_measured_wheel_is_judged_by_count_and_a_label_not() -> None:
    measured = plan("RGE", None, {"teeth": 68, "diameter_mm": 20.0}, outside_diameter_mm=20.0)
    assert measured.setup.tolerance.teeth is None
    assert plan("RGE", outside_diameter_mm=20.0).setup.tolerance.teeth == "off"


@pytest.mark.parametrize(
    ("form", "asked", "words"),
    [
        ("RGE", {}, "no diameter is given"),
        ("RGE", {"outside_diameter_mm": 20.0, "blank_diameter_mm": 20.5}, "rolling makes a part larger"),
        ("RGE", {"blank_diameter_mm": 20.0, "bar_mm": 20.5}, "a blank and a bar"),
        ("RGE", {"outside_diameter_mm": 20.0, "fill": 1.2}, "fill 1.2 is not"),
        ("RGE", {"outside_diameter_mm": 20.0, "fill": 0.0}, "fill 0 is not"),
        ("RGE", {"outside_diameter_mm": 20.0, "bite_mm": -0.1}, "less than nought"),
        ("RGE", {"outside_diameter_mm": 20.0, "bite_mm": 0.3}, "deeper than the whole penetration"),
        ("RGE", {"outside_diameter_mm": 20.0, "outside_limits": Range(21.0, 22.0)}, "outside its own limits"),
        ("RGE", {"outside_diameter_mm": 2.0}, "too few to roll"),
        ("RGV", {"outside_diameter_mm": 20.0, "method": "axial"}, "is plunged"),
        (
            "RGE",
            {"outside_diameter_mm": 20.0, "knurl_length_mm": 5.0, "wheel": {"width_mm": 8.0}},
            "wider than the knurl",
        ),
        (
            "RKE",
            {"outside_diameter_mm": 20.0, "knurl_length_mm": 15.0, "wheel": {"width_mm": 8.0}},
            "no more than its width",
        ),
        ("RAA", {"outside_diameter_mm": 20.0, "wheel": {"helix_deg": 30.0}}, "does not go with RAA"),
        ("RAA", {"outside_diameter_mm": 20.0, "swivel_deg": 30.0}, "swivel 30 deg does not go"),
        ("RGE", {"outside_diameter_mm": 20.0, "wheel": {"helix_deg": 0.0}}, "helix 0 deg does not go"),
        ("RGE", {"outside_diameter_mm": 20.0, "pitch": None}, "the wheel has no pitch"),
    ],
)
def test_refusals_are_one_line(form: str, asked: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanError, match=words) as caught:
        plan(form, **asked)
    assert "\n" not in caught.value.message


@settings(max_examples=60, deadline=None)
@given(requests(), st.sampled_from([0.7, 0.85, 1.0]))
def test_backwards_finds_the_wheel(request: PlanRequest, fill: float) -> None:
    assume(all((w.helix_deg or 30.0) == 30.0 for w in request.wheels))
    made = make_plan(PlanRequest(request.form, request.wheels, request.outside_diameter_mm, fill=fill))
    family = next(f for f in made.expected.families if f.hand != "ring")
    assert family.teeth is not None
    axial = family.axial_pitch_mm
    knurl = MeasuredKnurl(
        request.form, made.blank.outside_diameter_mm, 0.02, family.teeth, 0.0, axial, 0.003 if axial else None
    )
    label = request.wheels[0].pitch
    assert label is not None
    fits = [c for c in candidates(knurl, made.bite_mm) if c.misfit < 1.0]
    names = {"length": "mm", "teeth per inch": "teeth per inch", "module": "module", "diametral pitch": "diametral"}
    assert any(f"{label.number:g}" in c.wheel and names[label.system] in c.wheel for c in fits)


def test_backwards_needs_a_diameter_and_a_count() -> None:
    with pytest.raises(PlanError, match="no outside diameter or no count"):
        measured_from_result({"parts": [{"form": "RAA", "families": [{"hand": "axial", "teeth": None}]}]})
    with pytest.raises(PlanError, match="no measured part"):
        measured_from_result({"parts": []})
