"""What the terminal says, and how figures are written."""

from __future__ import annotations

import doctest
import io

import made_patterns as made
import pytest
from hypothesis import given
from hypothesis import strategies as st
from knurlsight.reporting import figures, terminal
from knurlsight.reporting.terminal import screen
from photoscale.quantity import Quantity


def test_examples_in_the_docstrings():
    assert doctest.testmod(figures).failed == 0


@given(st.floats(0.001, 1000), st.floats(1e-5, 10))
def test_a_written_figure_reads_back_within_its_uncertainty(value, u):
    text = figures.measured(Quantity(value, u, "mm"))
    written, rest = text.split(" ± ")
    expanded = float(rest.removesuffix(" mm"))
    # half of the last place shown, which is a tenth to a third of the expanded uncertainty
    assert abs(float(written) - value) <= max(0.17 * 2 * u, 1e-6)
    assert expanded == pytest.approx(2 * u, rel=0.18)


def test_an_uncertainty_that_was_not_stated_is_said_not_to_be():
    assert figures.measured(Quantity(1.0, 0.0, "mm")) == "1 mm (uncertainty not stated)"
    assert figures.measured(None) == "–"


def test_the_verdict_stands_in_the_first_line_with_what_was_seen():
    lines = screen(made.inspected(made.pattern()), width=100).splitlines()
    assert lines[0].split() == ["P", "A", "S", "S", "of", "the", "100°", "in", "view"]
    assert "checks lie inside" in lines[1]


def test_a_failure_says_why_first_and_lists_the_failed_checks_on_top():
    bad = made.pattern(families=(made.family("right", 1.2), made.family("left")))
    text = screen(made.inspected(bad), width=100)
    lines = text.splitlines()
    assert "F A I L" in lines[0]
    assert "normal pitch of the right-hand family 1.200 ± 0.007 mm, wanted 0.96 to 1.04 mm" in lines[1]
    table = [line for line in lines if line.endswith(("FAIL", " ok", "?"))]
    assert table[0].endswith("FAIL") and "right-hand" in table[0]
    assert "look at" in text


def test_one_screen():
    lines = screen(made.inspected(made.pattern()), width=100).splitlines()
    assert len(lines) <= 40
    assert max(len(line) for line in lines) <= 100


def test_inches():
    text = screen(made.inspected(made.pattern()), "in", width=100)
    assert "0.03937 ± 0.00024 in" in text
    assert " mm" not in text.replace("0.0469 ± 0.0002 mm to a pixel", "").split("scale:")[0]


def test_without_a_setup_the_figures_and_the_standard_pitches():
    text = screen(made.inspected(made.pattern(), None), width=100)
    assert "M E A S U R E D" in text and "nothing is judged" in text
    assert "normal pitch, right-hand family" in text and "standard pitches" in text


def test_no_part():
    from knurlsight.inspection import nothing_found

    empty = nothing_found([made.photo()], None, None, (), made.inspected(made.pattern()).scale_px)
    text = screen(empty, width=100)
    assert "C A N N O T   T E L L" in text and "no knurled part was found" in text


def test_colour_only_where_the_terminal_has_it(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert terminal.has_colour(Terminal()) and not terminal.has_colour(io.StringIO())
    monkeypatch.setenv("NO_COLOR", "1")
    assert not terminal.has_colour(Terminal())
    assert "\x1b" not in screen(made.inspected(made.pattern()))
    assert "\x1b[1;97;42m" in screen(made.inspected(made.pattern()), colour=True)
