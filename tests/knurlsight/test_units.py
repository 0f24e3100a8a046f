"""Words to mm, degrees and ratios, and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from knurlsight.errors import KnurlsightError, UnitError
from knurlsight.units import (
    Pitch,
    angle_words,
    format_both,
    length_words,
    parse_count,
    parse_length,
    parse_length_or_zero,
    parse_number,
    parse_pitch,
    parse_ratio,
    parse_signed_angle,
    parse_signed_length,
    parse_with_plus_minus,
    pitch_from_diametral,
    pitch_from_length,
    pitch_from_module,
    pitch_from_tpi,
    ratio_words,
)

lengths = st.floats(min_value=1e-4, max_value=1e5, allow_nan=False)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("25.4mm", 25.4),
        ("1in", 25.4),
        ("1 in", 25.4),
        ('3/4"', 19.05),
        ("1 1/2in", 38.1),
        ("1-1/2 in", 38.1),
        ("2.5thou", 0.0635),
        ("2cm", 20.0),
        ("800 µm", 0.8),
        (".8", 0.8),
        (20, 20.0),
        (-0.5, -0.5),
        ("−0.5 mm", -0.5),
    ],
)
def test_lengths(text: object, mm: float) -> None:
    assert parse_signed_length(text) == mm


@pytest.mark.parametrize(
    "text",
    ["", "mm", "banana", "20 apples", "1/0in", "nan", "inf", "1e400mm", "--2mm", "2 3mm", "0x10", True, None, []],
)
def test_nonsense_is_refused(text: object) -> None:
    for parse in (parse_length, parse_pitch):
        with pytest.raises(UnitError) as caught:
            parse(text)
        assert "\n" not in caught.value.message
        assert caught.value.hint


def test_a_decimal_comma_gets_its_own_cure() -> None:
    with pytest.raises(UnitError, match="decimal with a point") as caught:
        parse_length("0,8mm")
    assert caught.value.hint == "0.8mm"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e30])
def test_numbers_that_are_no_lengths(value: float) -> None:
    with pytest.raises(UnitError):
        parse_signed_length(value)


@pytest.mark.parametrize("parse", [parse_length, parse_pitch, parse_number, parse_count])
@pytest.mark.parametrize("value", [0, -1, "-0.8", "0"])
def test_nought_and_less_are_refused(parse: object, value: object) -> None:
    with pytest.raises(UnitError):
        parse(value)  # type: ignore[operator]


def test_nought_is_a_length_where_it_may_be() -> None:
    assert parse_length_or_zero("0mm") == 0.0
    with pytest.raises(UnitError):
        parse_length_or_zero("-0.1mm")


@pytest.mark.parametrize(
    ("text", "pitch"),
    [
        ("0.8mm", pitch_from_length(0.8)),
        ("21tpi", pitch_from_tpi(21)),
        ("21 per inch", pitch_from_tpi(21)),
        ("m0.3", pitch_from_module(0.3)),
        ("dp96", pitch_from_diametral(96)),
        ("96 dp", pitch_from_diametral(96)),
    ],
)
def test_pitches(text: str, pitch: Pitch) -> None:
    assert parse_pitch(text) == pitch


def test_angles_and_ratios() -> None:
    assert parse_signed_angle("30 deg") == 30.0
    assert parse_signed_angle("30.5°") == 30.5
    assert parse_signed_angle(-2) == -2.0
    assert parse_ratio("4 %") == 0.04
    assert parse_ratio(0.04) == 0.04
    with pytest.raises(UnitError, match="rad"):
        parse_signed_angle("1rad")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("25.02+-0.01mm", (25.02, 0.01)),
        ("25.02mm ± 0.01mm", (25.02, 0.01)),
        ("1in+-0.002in", (25.4, 0.0508)),
        ("1 +- 0.002 in", (25.4, 0.0508)),
        ("25mm", (25.0, None)),
    ],
)
def test_plus_minus(text: str, expected: tuple[float, float | None]) -> None:
    assert parse_with_plus_minus(text) == expected


@given(lengths)
def test_length_words_read_back_exactly_in_mm(mm: float) -> None:
    assert parse_length(length_words(mm)) == mm


@given(lengths)
def test_length_words_read_back_in_inch(mm: float) -> None:
    assert parse_signed_length(length_words(mm, "in")) == pytest.approx(mm, abs=2e-8)


@given(st.floats(min_value=0.5, max_value=500))
def test_an_inch_is_25_4_mm(inches: float) -> None:
    assert parse_length(f"{inches!r}in") == pytest.approx(25.4 * inches, rel=1e-15)


@given(st.sampled_from([pitch_from_length, pitch_from_tpi, pitch_from_module, pitch_from_diametral]), lengths)
def test_pitch_words_read_back(make: object, number: float) -> None:
    pitch = make(number)  # type: ignore[operator]
    assert parse_pitch(pitch.words) == pitch


@given(st.floats(min_value=-89, max_value=89), st.floats(min_value=0, max_value=1))
def test_angle_and_ratio_words_read_back(angle: float, ratio: float) -> None:
    assert parse_signed_angle(angle_words(angle)) == angle
    assert parse_ratio(ratio_words(ratio)) == pytest.approx(ratio, rel=1e-15)


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    for parse in (parse_length, parse_pitch, parse_signed_angle, parse_ratio, parse_with_plus_minus, parse_number):
        try:
            value = parse(text)  # type: ignore[operator]
        except KnurlsightError as error:
            assert error.message.isprintable()
        else:
            first = value[0] if isinstance(value, tuple) else value.mm if isinstance(value, Pitch) else value
            assert math.isfinite(first)


def test_both_units() -> None:
    assert format_both(19.464) == "19.464 mm (0.7663 in)"
    assert format_both(25.4, "in") == "1.0000 in (25.400 mm)"
