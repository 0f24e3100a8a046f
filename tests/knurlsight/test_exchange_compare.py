"""Test cuts side by side, and the effects of settings against published and independent results."""

from __future__ import annotations

import re

import made_records
import numpy as np
import pytest
from knurlsight.errors import ExchangeError
from knurlsight.exchange.compare import compare
from knurlsight.exchange.compare_page import comparison_html, comparison_png, comparison_text
from knurlsight.exchange.effects import effects
from photoscale.quantity import Quantity


def cut(fill, balance=0.9, *, infeed="0.30 mm", oil="oil", **known):
    process = f'[process]\ndial_infeed = "{infeed}"\ndial_on = "radius"\nlubricant = "{oil}"\n'
    return made_records.handed_on(made_records.cut(fill, balance, process=process), **known)


def test_effects_of_a_two_level_series_are_the_published_ones():
    # Box, Hunter & Hunter, Statistics for Experimenters, pilot plant: 2^3 series, main effects 23, -5 and 1.5 (from
    # memory; the contrasts of the eight results confirm them)
    results = [60, 72, 54, 68, 52, 83, 45, 80]
    settings = [{"T": 160.0 + 20 * (i & 1), "C": 20.0 + 10 * (i >> 1 & 1), "K": "AB"[i >> 2]} for i in range(8)]
    made = effects(settings, [Quantity(float(r), 1e-6) for r in results])
    assert {e.setting: e.change for e in made.effects} == pytest.approx({"T": 23.0, "C": -5.0, "K": 1.5})
    assert made.spare == 4 and not made.mixed


def test_the_interval_of_one_setting_is_that_of_linear_regression():
    # SciPy's linregress and t distribution, an implementation of its own
    from scipy import stats

    x = [0.1, 0.2, 0.2, 0.35, 0.4, 0.5]
    y = [0.41, 0.52, 0.55, 0.71, 0.70, 0.88]
    line = stats.linregress(x, y)
    (effect,) = effects([{"infeed": v} for v in x], [Quantity(v, 1e-9) for v in y]).effects
    assert effect.change == pytest.approx(0.4 * line.slope)
    assert effect.half_width == pytest.approx(0.4 * line.stderr * stats.t.ppf(0.975, 4))
    assert effect.clear


def test_a_lucky_small_scatter_does_not_make_certainty():
    made = effects(
        [{"a": 0.0}, {"a": 1.0}, {"a": 1.0}], [Quantity(0.50, 0.05), Quantity(0.56, 0.05), Quantity(0.56, 0.05)]
    )
    (effect,) = made.effects
    assert effect.half_width >= 2 * np.hypot(0.05, 0.05 / np.sqrt(2)) * 0.999
    assert not effect.clear
    assert "a hint" in made.words


def test_intervals_hold_the_true_effect_as_often_as_they_say():
    rng = np.random.default_rng(7)
    settings = [{"a": float(i % 2), "b": "pq"[i // 2 % 2]} for i in range(6)]
    held = 0
    for _ in range(400):
        values = [0.5 + 0.1 * s["a"] + rng.normal(0, 0.03) for s in settings]
        found = {e.setting: e for e in effects(settings, [Quantity(v, 1e-6) for v in values]).effects}
        held += abs(found["a"].change - 0.1) <= found["a"].half_width
    # 95 % of 400 are 380, standard deviation 4.4: four of them
    assert 362 <= held <= 398


def test_settings_that_changed_together_are_not_told_apart():
    settings = [{"a": v, "b": 2 * v, "c": c} for v, c in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0), (1.0, 0.0))]
    made = effects(settings, [Quantity(v, 0.01) for v in (0.1, 0.2, 0.4, 0.5, 0.2)])
    assert made.mixed == ("a", "b")
    assert [e.setting for e in made.effects] == ["c"]
    assert made.effects[0].change == pytest.approx(0.3)


def test_no_interval_no_effect():
    made = effects([{"a": 0.0}, {"a": 1.0}], [Quantity(0.1, 0.01), Quantity(0.9, 0.01)])
    assert made.effects == () and "repeat cuts" in made.words
    assert effects([{"a": 0.0}, {"a": 0.0}], [Quantity(0.1, 0.01), None]).words.startswith("no setting differs")


def test_what_differs_and_what_improved():
    made = compare([cut(0.60), cut(0.80, infeed="0.40 mm"), cut(0.61, 0.70, infeed="0.30 mm", oil="none")])
    assert dict(made.settings) == {
        "[process] dial_infeed, mm": ("0.3", "0.4", "0.3"),
        "[process] lubricant": ("oil", "oil", "none"),
    }
    fill = next(row for row in made.rows if row.name == "form fill")
    first, second, third = fill.differences
    assert first is None
    # two cuts with u = 0.02 each: the difference has u = 0.028
    assert (second.quantity.value, second.quantity.u) == pytest.approx((0.2, 0.02 * np.sqrt(2)))
    assert (second.exceeds, second.better) == (True, "better")
    assert (third.exceeds, third.better) == (False, "")
    balance = next(row for row in made.rows if row.name.startswith("balance"))
    assert balance.differences[2].better == "worse"


def test_the_first_named_is_the_base_and_two_are_needed():
    made = compare([cut(0.80, infeed="0.40 mm"), cut(0.60)])
    assert next(r for r in made.rows if r.name == "form fill").differences[1].better == "worse"
    with pytest.raises(ExchangeError, match="1 part with a pattern cannot be compared"):
        compare([cut(0.8)])
    with pytest.raises(ExchangeError, match="0 part"):
        compare([])


def test_the_page_and_the_screen():
    photo = made_records.jpeg(1200, 900)
    cuts = [
        cut(f, infeed=f"{i} mm", photo=photo, serial=s)
        for f, i, s in ((0.6, 0.3, "<1>"), (0.8, 0.4, "2"), (0.7, 0.35, "3"))
    ]
    made = compare(cuts)
    page = comparison_html(made)
    assert page.count("data:image/jpeg;base64,") == 3
    assert "&lt;1&gt;" in page and "<1>" not in page
    assert not re.search(r'(src|href)="http|<script', page)
    text = comparison_text(made)
    assert "form fill, cut 2: +0.20 ± 0.06, better" in text
    assert "form fill, [process] dial_infeed, mm from 0.3 to 0.4: 0.20" in text
    assert "only 3 cuts, 1 to spare: a hint" in text
    assert comparison_png(made).startswith(b"\x89PNG")
