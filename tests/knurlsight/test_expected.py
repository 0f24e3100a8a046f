"""The expected pattern and its limits."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from knurlsight.setup_math.expected import at_other_diameter, expectation, expected_pattern, transverse_pitch_mm
from knurlsight.setup_math.limits import Limit, limits
from knurlsight.setup_math.setup import setup_from_text

PART = '[part]\noutside_diameter = "20 mm"\n'


def test_wheel_and_outside_diameter_read_at_the_crest() -> None:
    """DIN 82 growth on 20 mm: 0.8 reads 0.8164 normal and 30.68° (rows crest-* of the reference)."""
    pattern = expected_pattern(setup_from_text(PART + '[[wheel]]\ncode = "GV"\npitch = "0.8 mm"\n'))
    assert pattern.form == "RGE"
    assert [f.hand for f in pattern.families] == ["left", "right"]
    for family in pattern.families:
        assert family.normal_pitch_mm == pytest.approx(0.816353, abs=5e-6)
        assert family.helix_deg == pytest.approx(30.6785, abs=5e-5)
        assert family.axial_pitch_mm == pytest.approx(1.6)
        assert family.teeth == 66
    assert pattern.included_angle_deg == pytest.approx(61.357, abs=1e-3)


def test_a_blank_fixes_the_count_and_the_count_the_pitch() -> None:
    toml = (
        '[part]\noutside_diameter = "20 mm"\nblank_diameter = "19.464 mm"\n'
        '[[wheel]]\ncode = "BL"\nteeth = 68\ndiameter = 20\n[[wheel]]\ncode = "BR"\nteeth = 68\ndiameter = 20\n'
    )
    basis = expectation(setup_from_text(toml))
    assert (basis.teeth_from, basis.teeth_certain) == ("blank", True)
    for family in basis.pattern.families:
        assert family.teeth == 66
        assert family.transverse_pitch_mm == pytest.approx(math.pi * 20 / 66)
        assert math.tan(math.radians(family.helix_deg)) == pytest.approx(math.pi * 20 / 66 / 1.6, rel=3e-4)


@pytest.mark.parametrize(
    "wheel",
    ["teeth = 68\ndiameter = 20", 'pitch = "0.8 mm"'],
    ids=["between two counts", "a label may be a per cent off"],
)
def test_a_count_that_is_not_sure_is_not_judged(wheel: str) -> None:
    blank = 19.60 if "teeth" in wheel else 19.464
    toml = f'[part]\nblank_diameter = {blank}\n[[wheel]]\ncode = "GV"\n{wheel}\n'
    basis = expectation(setup_from_text(toml))
    assert not basis.teeth_certain
    assert "leave the whole count open" in basis.notes[0]
    teeth = [limit for limit in limits(setup_from_text(toml)) if limit.name == "teeth"]
    assert all(limit.off and limit.note for limit in teeth)
    stated = [limit for limit in limits(setup_from_text(toml + "[tolerance]\nteeth = 0\n")) if limit.name == "teeth"]
    assert not any(limit.off for limit in stated)


def test_a_drawing_counts_as_it_stands() -> None:
    toml = PART + '[pattern]\nform = "RGE"\nnormal_pitch = "1 mm"\nhelix = "30 deg"\n[[wheel]]\npitch = "0.8 mm"\n'
    pattern = expected_pattern(setup_from_text(toml))
    assert pattern.families[0].normal_pitch_mm == 1.0
    assert pattern.families[0].helix_deg == 30.0
    assert pattern.families[0].teeth is None


def test_a_count_on_a_drawing() -> None:
    basis = expectation(setup_from_text(PART + '[pattern]\nform = "RAA"\nteeth = 63\n'))
    family = basis.pattern.families[0]
    assert family.normal_pitch_mm == pytest.approx(math.pi * 20 / 63)
    assert (family.teeth, basis.teeth_certain) == (63, True)


def test_square_has_axial_and_ring_families() -> None:
    pattern = expected_pattern(setup_from_text(PART + '[[wheel]]\ncode = "KV"\npitch = "1 mm"\n'))
    axial, ring = pattern.families
    assert (axial.hand, axial.helix_deg, axial.axial_pitch_mm) == ("axial", 0.0, None)
    assert axial.normal_pitch_mm == axial.transverse_pitch_mm
    assert axial.normal_pitch_mm == pytest.approx(20 / 19.33)
    assert (ring.hand, ring.helix_deg, ring.normal_pitch_mm, ring.teeth) == ("ring", 90.0, 1.0, None)
    assert ring.transverse_pitch_mm is None and ring.axial_pitch_mm == 1.0
    assert pattern.included_angle_deg is None


@pytest.mark.parametrize(
    ("wheel", "form", "hand"),
    [
        ('code = "BL"\npitch = 1', "RBR", "right"),
        ('code = "BR"\npitch = 1', "RBL", "left"),
        ('hand = "left"\npitch = 1', "RBR", "right"),
        ('pitch = 1\n[holder]\nswivel = "30 deg"', "RBR", "right"),
        ('pitch = 1\n[holder]\nswivel = "-30 deg"', "RBL", "left"),
        ("pitch = 1", "RAA", "axial"),
    ],
)
def test_one_wheel(wheel: str, form: str, hand: str) -> None:
    pattern = expected_pattern(setup_from_text(f"{PART}[[wheel]]\n{wheel}\n"))
    assert pattern.form == form
    assert [f.hand for f in pattern.families] == [hand]
    if hand != "axial":
        assert pattern.families[0].axial_pitch_mm == pytest.approx(2.0)


def test_a_measured_wheel_beats_its_label() -> None:
    """DIN 403: a nominal 1.6 mm wheel of 15 mm has 29 teeth, so 1.625 mm."""
    toml = '[part]\nblank_diameter = "20 mm"\n[[wheel]]\npitch = "1.6 mm"\ndiameter = "15 mm"\nteeth = 29\n'
    family = expected_pattern(setup_from_text(toml)).families[0]
    assert family.teeth == 39  # π 20 / 1.62496 = 38.67; by the label it would be 39.27
    assert math.pi * 15 / 29 == pytest.approx(1.62496, abs=5e-6)


def test_wheels_not_alike_give_families_not_alike() -> None:
    toml = PART + '[[wheel]]\ncode = "BL"\npitch = "1 mm"\n[[wheel]]\ncode = "BR"\npitch = "21 tpi"\nhelix = "45 deg"\n'
    left, right = expected_pattern(setup_from_text(toml)).families
    assert left.axial_pitch_mm == pytest.approx(25.4 / 21 / math.sin(math.radians(45)))
    assert right.axial_pitch_mm == pytest.approx(2.0)


def test_diametral_pitch_counts_around_the_blank() -> None:
    """ANSI/ASME B94.6: 96 × 1/2 = 48 teeth, diagonal wheels included (P in the transverse plane)."""
    for wheel in ("diametral_pitch = 96", 'diametral_pitch = 96\ncode = "GV"'):
        pattern = expected_pattern(setup_from_text(f'[part]\nblank_diameter = "1/2 in"\n[[wheel]]\n{wheel}\n'))
        assert {f.teeth for f in pattern.families} == {48}


def test_module_counts_across_the_teeth() -> None:
    """JIS B 0951: crossed D = n m / cos 30°, 35 teeth of m 0.5 on 20.207 mm."""
    toml = '[part]\nblank_diameter = "20.207 mm"\n[[wheel]]\nmodule = 0.5\ncode = "GV"\n'
    assert {f.teeth for f in expected_pattern(setup_from_text(toml)).families} == {35}


def test_the_pattern_beats_the_wheels_and_says_so() -> None:
    toml = PART + '[[wheel]]\ncode = "GE"\npitch = "0.8 mm"\n[pattern]\nform = "RGE"\n'
    basis = expectation(setup_from_text(toml))
    assert basis.pattern.form == "RGE"
    assert "The wheels roll RGV" in basis.notes[0]


@given(
    st.floats(min_value=0.3, max_value=2.0),
    st.floats(min_value=0, max_value=60),
    st.floats(min_value=10, max_value=60),
    st.floats(min_value=10, max_value=60),
)
def test_carrying_to_another_diameter_keeps_lead_and_count(pitch: float, helix: float, a: float, b: float) -> None:
    there, psi = at_other_diameter(pitch, helix, a, b)
    assert transverse_pitch_mm(there, psi) / b == pytest.approx(transverse_pitch_mm(pitch, helix) / a)
    if helix > 1e-3:
        assert there / math.sin(math.radians(psi)) == pytest.approx(pitch / math.sin(math.radians(helix)))
    back = at_other_diameter(there, psi, b, a)
    assert back == pytest.approx((pitch, helix), abs=1e-9)


def by_name(rows: tuple[Limit, ...]) -> dict[str, Limit]:
    return {row.name: row for row in rows}


def test_defaults() -> None:
    setup = setup_from_text(PART + '[pattern]\nform = "RGE"\nnormal_pitch = "1 mm"\n')
    rows = by_name(limits(setup, expected_pattern(setup)))
    assert (rows["pitch"].lower, rows["pitch"].upper) == pytest.approx((0.96, 1.04))
    assert (rows["helix"].lower, rows["helix"].upper) == (28.0, 32.0)
    assert (rows["included_angle"].lower, rows["included_angle"].upper) == (57.0, 63.0)
    assert rows["ghost_ratio"].upper == 0.10
    assert rows["balance"].lower == 0.75
    assert rows["form_fill"].lower == 0.67
    assert rows["run_in"].upper == pytest.approx(3.0)
    assert rows["pitch_drift"].upper == 0.03
    assert rows["damage_area"].upper == 0.02
    assert rows["depth_variation"].upper == 0.20
    assert rows["wheel_mark"].upper == rows["open_seam"].upper == 0
    assert rows["form"].nominal == "RGE"
    for name in ("full_form_length", "knurl_length", "outside_diameter"):
        assert rows[name].off and not rows[name].stated and "micrometer" in rows[name].note
    assert not any(row.stated for row in rows.values() if row.name != "form")
    assert not any(row.off for name, row in rows.items() if name not in _UNJUDGED)


_UNJUDGED = ("teeth", "full_form_length", "knurl_length", "outside_diameter")


def test_stated_limits_and_off() -> None:
    toml = PART + (
        '[pattern]\nform = "RAA"\nteeth = 63\n[tolerance]\npitch = "0.02 mm"\nteeth = 1\nghost_ratio = 0.2\n'
        'form_fill = "off"\nbalance = 0.7\nwheel_mark = true\noutside_diameter = "+- 0.1 mm"\nrun_in = "0.5 mm"\n'
    )
    setup = setup_from_text(toml)
    rows = by_name(limits(setup))
    pitch = math.pi * 20 / 63
    assert (rows["pitch"].lower, rows["pitch"].upper) == pytest.approx((pitch - 0.02, pitch + 0.02))
    assert (rows["teeth"].lower, rows["teeth"].upper, rows["teeth"].off) == (62, 64, False)
    assert rows["ghost_ratio"].stated and rows["ghost_ratio"].upper == 0.2
    assert rows["form_fill"].off and rows["form_fill"].stated
    assert rows["balance"].off and "one family" in rows["balance"].note
    assert rows["wheel_mark"].off
    assert (rows["outside_diameter"].lower, rows["outside_diameter"].upper) == pytest.approx((19.9, 20.1))
    assert rows["run_in"].upper == 0.5


def test_straight_run_in_is_a_millimetre() -> None:
    setup = setup_from_text(PART + '[pattern]\nform = "RAA"\nnormal_pitch = "1 mm"\n')
    assert by_name(limits(setup))["run_in"].upper == 1.0


def test_limits_at_the_blank_are_those_of_the_wheel() -> None:
    toml = PART + '[[wheel]]\ncode = "GV"\npitch = "0.8 mm"\n[tolerance]\nat = "blank"\n'
    rows = by_name(limits(setup_from_text(toml)))
    assert rows["pitch"].at == "blank"
    assert rows["pitch"].nominal == pytest.approx(0.8)
    assert rows["helix"].nominal == pytest.approx(30.0)


def test_each_row_of_the_table_is_there_for_each_form() -> None:
    keys = {
        "form pitch helix teeth ghost_ratio form_fill run_in full_form_length knurl_length outside_diameter "
        "pitch_drift damage_area depth_variation wheel_mark open_seam"
    }
    names = set(next(iter(keys)).split())
    for form in ("RAA", "RBL", "RBR", "RGE", "RGV", "RKE", "RKV"):
        setup = setup_from_text(f'{PART}[pattern]\nform = "{form}"\nnormal_pitch = "1 mm"\n')
        found = {row.name for row in limits(setup)}
        assert names <= found
        assert found - names <= {"included_angle", "balance"}
