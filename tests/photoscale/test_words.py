"""Words for scales and heights."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from photoscale.errors import ScaleWordError
from photoscale.quantity import Quantity
from photoscale.words import (
    CardWord,
    DiameterWord,
    PinWord,
    PlainWord,
    RigWord,
    RuleWord,
    ScaleHeight,
    TwoScalesWord,
    each_word,
    parse_height,
    parse_scale,
)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("card", CardWord(10.0, 0.1, False)),
        ("card:9.87mm", CardWord(9.87, 0.03, True)),
        ("card: 9.87 mm +- 0.01 mm", CardWord(9.87, 0.01, True)),
        ("rule", RuleWord(None)),
        ("rule:1mm", RuleWord(1.0)),
        ("rule:0.5mm", RuleWord(0.5)),
        ("rule:0.1mm", RuleWord(0.1)),
        ("rule:1/32in", RuleWord(0.79375)),
        ("rule:1/64in", RuleWord(0.396875)),
        ("pin:6.000mm", PinWord(Quantity(6.0, 0.003, "mm"))),
        ("od:25.02mm", DiameterWord(Quantity(25.02, 0.02, "mm"))),
        ("od:25,02mm", DiameterWord(Quantity(25.02, 0.02, "mm"))),
        ("od:25.020mm", DiameterWord(Quantity(25.02, 0.005, "mm"))),
        ("od:25.02+-0.01mm", DiameterWord(Quantity(25.02, 0.01, "mm"))),
        ("od:25.02mm±0.01mm", DiameterWord(Quantity(25.02, 0.01, "mm"))),
        ("od:1in", DiameterWord(Quantity(25.4, 0.02, "mm"))),
        ("od:1.0000in", DiameterWord(Quantity(25.4, 0.005, "mm"))),
        ("rig:stand-2", RigWord("stand-2")),
        ("0.0512mm/px", PlainWord(Quantity(0.0512, 0.0, "mm"))),
        ("0.0512+-0.0002 mm/px", PlainWord(Quantity(0.0512, 0.0002, "mm"))),
        ("rule:1mm; od:25.02mm", TwoScalesWord(RuleWord(1.0), DiameterWord(Quantity(25.02, 0.02, "mm")))),
    ],
)
def test_every_form_is_read(text: str, word: object) -> None:
    assert parse_scale(text) == word
    assert parse_scale(text.upper() if not text.startswith("rig") else text) == word


@pytest.mark.parametrize(
    "text",
    [
        "",
        "ruler",
        "card:",
        "card:-9mm",
        "card:9.87cm",
        "rule:2mm",
        "rule:1/7in",
        "pin:",
        "pin:big",
        "od:0mm",
        "od:9999mm",
        "od:25+-0mm",
        "od:25+-20mm",
        "rig:",
        "rig:../x",
        "0mm/px",
        "0.05mm",
        "nan mm/px",
        "od:1e3mm",
    ],
)
def test_what_cannot_be_read_says_what_would_be_right(text: str) -> None:
    with pytest.raises(ScaleWordError) as info:
        parse_scale(text)
    assert repr(text) in str(info.value)
    assert info.value.hint


@given(st.text(max_size=30))
def test_nothing_typed_ever_breaks(text: str) -> None:
    for read in (parse_scale, parse_height):
        try:
            read(text)
        except ScaleWordError as e:
            assert "\n" not in e.hint


def test_one_two_or_no_scale() -> None:
    assert each_word(None) == ()
    assert each_word(RuleWord(None)) == (RuleWord(None),)
    assert each_word(parse_scale("card;rule")) == (CardWord(10.0, 0.1, False), RuleWord(None))


def test_heights_of_two_scales() -> None:
    assert parse_height("bench; crest") == ScaleHeight("bench", second=ScaleHeight("crest"))
    with pytest.raises(ScaleWordError, match="3 heights"):
        parse_height("bench; crest; axis")


def test_heights() -> None:
    assert parse_height("bench") == ScaleHeight("bench")
    assert parse_height("Crest") == ScaleHeight("crest")
    assert parse_height("16mm") == ScaleHeight("stated", 16.0, 0.3)
    assert parse_height("0.5in") == ScaleHeight("stated", 12.7, 0.3)
    assert parse_height("16+-0.1mm") == ScaleHeight("stated", 16.0, 0.1)
    for bad in ("", "table", "-3mm", "9999mm"):
        with pytest.raises(ScaleWordError):
            parse_height(bad)
