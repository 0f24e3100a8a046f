"""Setup files: what is read, what is refused and in which words, and what is written back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from knurlsight.errors import SetupError
from knurlsight.setup_math.forms import FORMS, is_diagonal
from knurlsight.setup_math.setup import read_setup, setup_from_document, setup_from_text, setup_text
from knurlsight.setup_math.setup_model import SECTIONS, section_keys, setup_document
from knurlsight.setup_math.setup_values import PlusMinusLength, PlusMinusShare, Range

FULL = """
# everything that a setup can say
[part]
name = "knob"
number = 4711
outside_diameter = "20 mm"
blank_diameter = "19.46 mm"
knurl_length = "1/2 in"
material = "brass"
chuck_end = "left"

[[wheel]]
label = "invented 20-0.8"
code = "BL"
hand = "left"
pitch = "0.8 mm"
pitch_along = "normal"
helix = "30 deg"
teeth = 68
diameter = "20 mm"
width = "8 mm"
tooth_angle = "90 deg"

[[wheel]]
code = "BR"
teeth_per_inch = 32

[holder]
kind = "two wheels fixed"
swivel = 0
cant = "1 deg"

[pattern]
form = "RGE"
teeth = 66

[process]
dial_infeed = "0.35 mm"
dial_on = "radius"
passes = 2
feed_per_turn = "0.1 mm"
spindle_speed = 120
lubricant = "oil"

[tolerance]
at = "crest"
pitch = "0.03 mm"
helix = "1.5 deg"
included_angle = "off"
teeth = 1
ghost_ratio = 0.08
balance = "80 %"
form_fill = 0.7
run_in = "1.2 mm"
full_form_length = ">= 10 mm"
knurl_length = "+- 0.5 mm"
outside_diameter = ["19.9 mm", "20.1 mm"]
pitch_drift = "2 %"
damage_area = 0.01
depth_variation = "off"
wheel_mark = true
open_seam = false
guard_factor = 1.65
"""


def faults_of(text: str) -> list[str]:
    with pytest.raises(SetupError) as caught:
        setup_from_text(text, "part.toml")
    assert all("\n" not in str(f) for f in caught.value.faults)
    assert all(line.startswith("part.toml: ") for line in str(caught.value).splitlines())
    return [str(f) for f in caught.value.faults]


def test_everything_is_read_in_mm_and_degrees() -> None:
    setup = setup_from_text(FULL)
    assert setup.part.number == "4711"
    assert setup.part.knurl_length_mm == 12.7
    assert setup.wheels[0].pitch is not None and setup.wheels[0].pitch.mm == 0.8
    assert setup.wheels[1].pitch is not None and setup.wheels[1].pitch.mm == pytest.approx(25.4 / 32)
    assert setup.tolerance.pitch == PlusMinusLength(0.03)
    assert setup.tolerance.included_angle_deg == "off"
    assert setup.tolerance.balance == 0.8
    assert setup.tolerance.full_form_length == Range(10.0, None)
    assert setup.tolerance.knurl_length == Range(12.2, 13.2)
    assert setup.tolerance.outside_diameter == Range(19.9, 20.1)
    assert setup.tolerance.wheel_mark is True
    assert setup.tolerance.guard_factor == 1.65


def test_it_reads_back_what_it_writes() -> None:
    setup = setup_from_text(FULL)
    again = setup_from_text(setup_text(setup))
    assert again == setup
    assert again.content_hash == setup.content_hash
    in_inch = setup_from_text(setup_text(setup, "in"))
    assert in_inch.part.outside_diameter_mm == pytest.approx(20.0, abs=1e-7)


def test_the_hash_is_of_what_is_said() -> None:
    one = setup_from_text('[part]\noutside_diameter = "25.4 mm"\n[pattern]\nform = "RAA"\nnormal_pitch = 1\n')
    two = setup_from_text('[pattern]\nnormal_pitch = "1mm"\nform = "raa"\n[part]  # same\noutside_diameter = "1 in"\n')
    other = setup_from_text('[part]\noutside_diameter = "25.5 mm"\n[pattern]\nform = "RAA"\nnormal_pitch = 1\n')
    assert one.content_hash == two.content_hash != other.content_hash


def test_every_key_of_the_file_is_in_the_full_example() -> None:
    document = setup_document(setup_from_text(FULL))
    for section in SECTIONS:
        tables = document[section] if section == "wheel" else [document[section]]
        written = {key for table in tables for key in table}
        missing = set(section_keys(section)) - written - {"teeth_per_inch", "module", "diametral_pitch"}
        assert missing - {"at", "normal_pitch"} - ({"helix"} if section == "pattern" else set()) == set()


@pytest.mark.parametrize(
    ("value", "limits"),
    [
        ('["19.9 mm", "20.1 mm"]', (19.9, 20.1)),
        ("[19.9, 20.1]", (19.9, 20.1)),
        ('"20 +- 0.1 mm"', (19.9, 20.1)),
        ('"± 0.1 mm"', (19.9, 20.1)),
        ('"+0.02 -0.05 mm"', (19.95, 20.02)),
        ('"+0.02mm -0.05mm"', (19.95, 20.02)),
        ('"19.9 .. 20.1 mm"', (19.9, 20.1)),
        ('"19.9 to 20.1 mm"', (19.9, 20.1)),
        ('">= 19.9 mm"', (19.9, None)),
        ('"at most 20.1mm"', (None, 20.1)),
        ('"+0 -0.1 mm"', (19.9, 20.0)),
    ],
)
def test_ranges(value: str, limits: tuple[float | None, float | None]) -> None:
    head = '[part]\noutside_diameter = "20 mm"\n[pattern]\nform = "RAA"\nnormal_pitch = 1\n[tolerance]\n'
    found = setup_from_text(f"{head}outside_diameter = {value}\n").tolerance.outside_diameter
    assert isinstance(found, Range)
    for mine, right in zip((found.lower_mm, found.upper_mm), limits, strict=True):
        assert mine == (None if right is None else pytest.approx(right, abs=1e-12))


def test_all_faults_come_together() -> None:
    faults = faults_of(
        """
colour = 3
[part]
nam = "x"
od = "20 mm"
outside_diameter = "20 apples"
blank_diameter = "0,8mm"
[[wheel]]
pitch = "0.8mm"
teeth_per_inch = 33
code = "BL"
hand = "right"
helix = 95
[patern]
form = "RGE"
[pattern]
form = "RAB"
[tolerance]
pitch = "400 %"
balance = 3
pitch_drift = 3
outside_diameter = "± 0.05 mm"
"""
    )
    for part in (
        "colour: is not a known key",
        "[part] nam: is not a known key; the nearest is name",
        "[part] od: is not a known key; the nearest is outside_diameter",
        "'20 apples' is not a length",
        "write the decimal with a point",
        "states pitch and teeth_per_inch",
        "[[wheel]] hand: is 'right', but BL is the left-hand wheel",
        "[[wheel]] helix: 95 is not a helix",
        "[patern]: is not known; the nearest is [pattern]",
        "[pattern] form: 'RAB' is not one of 'RAA'",
        "[tolerance] pitch: '400 %' is more than the whole",
        "[tolerance] balance: 3 is not between 0 and 1",
        "[tolerance] pitch_drift: 3 is more than the whole or a % sign is missing",
        "[tolerance] outside_diameter: gives deviations, but [part] outside_diameter is missing",
    ):
        assert any(part in fault for fault in faults), part
    assert len(faults) == 14


PATTERN = '[pattern]\nform = "RGE"\nnormal_pitch = "0.8 mm"\n'


def test_a_value_that_cannot_be_read_is_not_missing_as_well():
    with pytest.raises(SetupError) as e:
        setup_from_text('[pattern]\nform = "RGE"\nnormal_pitch = "0.8banana"\n')
    assert [fault.key for fault in e.value.faults] == ["[pattern] normal_pitch"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "says nothing"),
        ("a =", "is not TOML"),
        ("[part]\noutside_diameter = 20 mm\n", "is not TOML"),
        ('[part]\nname = "x"\n', "nothing to compare with"),
        ("outside_diameter = 20\n" + PATTERN, "put it under [part]"),
        ("part = 3\n" + PATTERN, "a table is wanted"),
        ("wheel = 3\n" + PATTERN, "a table is wanted"),
        ('[part]\noutside_diameter = "20mm"\nblank_diameter = "20.1mm"\n' + PATTERN, "rolling makes a part larger"),
        ('[part]\noutside_diameter = "25mm"\nblank_diameter = "20mm"\n' + PATTERN, "at the very most"),
        ('[part]\noutside_diameter = "-20mm"\n' + PATTERN, "not a length above nought"),
        ('[part]\noutside_diameter = "20km"\n' + PATTERN, "unit 'km' is not known"),
        ('[pattern]\nform = "RAA"\nnormal_pitch = "0.8mm"\nhelix = "30 deg"\n', "has none: take it out"),
        ('[pattern]\nform = "RGE"\nnormal_pitch = "0.8mm"\nhelix = 0\n', "has slanting ridges"),
        ('[pattern]\nform = "RGE"\n', "is missing: state it, or teeth"),
        ('[pattern]\nnormal_pitch = "0.8mm"\n', "form: is missing"),
        ('[pattern]\nform = "RGE"\nnormal_pitch = "dp96"\n', "put it in [[wheel]]"),
        ('[pattern]\nform = "RGE"\nnormal_pitch = "-1mm"\n', "not a pitch above nought"),
        ('[part]\noutside_diameter = 20\n[pattern]\nform = "RAA"\nnormal_pitch = 1\nteeth = 70\n', "makes 62.8 teeth"),
        ('[[wheel]]\ncode = "AA"\nhelix = 30\npitch = 1\n', "a AA wheel has 0 deg"),
        ("[[wheel]]\nhelix = 30\npitch = 1\n", "is left-hand or right-hand"),
        ("[[wheel]]\ndiameter = 15\n", "has no pitch"),
        ("[[wheel]]\npitch = 0.8\ndiameter = 15\nteeth = 29\n", "count again"),
        ('[[wheel]]\ncode = "BL"\npitch = 1\n[[wheel]]\ncode = "BL"\npitch = 1\n', "one left-hand and one right-hand"),
        ("[[wheel]]\npitch = 1\n" * 3, "stands 3 times"),
        ('[[wheel]]\npitch = 1\n[[wheel]]\npitch = 1\n[holder]\nkind = "one wheel"\n', "there are two [[wheel]]"),
        (PATTERN + "[tolerance]\nwheel_mark = 1\n", "not true or false"),
        (PATTERN + "[tolerance]\nguard_factor = 100\n", "too large a guard factor"),
        (PATTERN + '[tolerance]\nat = "middle"\n', "is not one of 'crest', 'blank'"),
        (PATTERN + '[tolerance]\nat = "blank"\n', "neither blank_diameter nor outside_diameter"),
        (PATTERN + "[tolerance]\noutside_diameter = [20, 19]\n", "no room between its limits"),
        (PATTERN + "[part]\nname = [1]\n", "is not text"),
    ],
)
def test_bad_setups(text: str, words: str) -> None:
    faults = faults_of(text)
    assert any(words in fault for fault in faults), faults


def test_files(tmp_path: Path) -> None:
    cases: list[tuple[Path, str]] = [(tmp_path / "none.toml", "does not exist"), (tmp_path, "is a folder")]
    photo = tmp_path / "photo.toml"
    photo.write_bytes(b"\xff\xd8\xff\xe0 not text")
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 1_000_001)
    cases += [(photo, "is not UTF-8 text"), (large, "bytes long")]
    for path, words in cases:
        with pytest.raises(SetupError, match=words) as caught:
            read_setup(path)
        assert str(path) in str(caught.value)
    good = tmp_path / "good.toml"
    good.write_text("\ufeff" + FULL, encoding="utf-8")
    assert read_setup(good) == setup_from_text(FULL)


def lengths_between(low: float, high: float) -> Any:
    return st.floats(min_value=low, max_value=high).map(lambda x: round(x, 6))


@st.composite
def documents(draw: Any) -> dict[str, Any]:
    form = draw(st.sampled_from(sorted(FORMS)))
    pitch = draw(lengths_between(0.3, 2.0))
    blank = draw(lengths_between(10.0, 60.0))
    document: dict[str, Any] = {
        "part": {"blank_diameter": f"{blank!r} mm", "outside_diameter": f"{blank + 0.3 * pitch!r} mm"},
        "pattern": {"form": form, "normal_pitch": f"{pitch!r} mm"},
        "tolerance": {"ghost_ratio": draw(st.floats(min_value=0, max_value=1)), "pitch": "4.5 %"},
    }
    if is_diagonal(form):
        document["pattern"]["helix"] = draw(st.floats(min_value=1, max_value=60))
    if draw(st.booleans()):
        document["part"]["name"] = draw(st.text(max_size=20))
    if draw(st.booleans()):
        key, value = draw(
            st.sampled_from([("pitch", "0.8 mm"), ("teeth_per_inch", 21), ("module", 0.3), ("diametral_pitch", 96)])
        )
        document["wheel"] = [{key: value}]
    return document


@settings(max_examples=60)
@given(documents())
def test_toml_round_trip(document: dict[str, Any]) -> None:
    setup = setup_from_document(document)
    again = setup_from_text(setup_text(setup))
    assert again == setup
    assert again.content_hash == setup.content_hash


@given(st.sampled_from(["4 %", "± 4 %", "+- 4%"]))
def test_ways_to_write_per_cent(text: str) -> None:
    setup = setup_from_document({"pattern": {"form": "RAA", "normal_pitch": 1}, "tolerance": {"pitch": text}})
    assert setup.tolerance.pitch == PlusMinusShare(0.04)
