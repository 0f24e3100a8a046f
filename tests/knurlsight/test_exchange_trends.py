"""A machine's spring and a wheel's wear, from records: what is told, with which interval, and what is not."""

from __future__ import annotations

import hashlib
import json
from xml.etree import ElementTree

import made_patterns as made
import made_records
import numpy as np
import pytest
from knurlsight.cli import run
from knurlsight.errors import ExchangeError
from knurlsight.exchange.spring import DialPoint, dial_for, dial_points, penetration_mm
from knurlsight.exchange.wear import wear, wear_svg
from knurlsight.records.facts import BenchFacts, JobFacts
from knurlsight.records.photos import Picture
from knurlsight.records.signature import Signature
from knurlsight.records.store import open_store
from knurlsight.records.write import attach, new_job
from knurlsight.result import json_text, result_of
from knurlsight.setup_math.setup import setup_from_text
from photoscale.quantity import Quantity
from scipy import stats

SIGNED = Signature("turner", "2026-03-02T09:15:00+00:00", "UTC")
PROCESS = '[process]\ndial_infeed = "{}"\ndial_on = "{}"\n'


def points(dials, reached, u=0.001):
    return [DialPoint(d, Quantity(p, u, "mm")) for d, p in zip(dials, reached, strict=True)]


def test_penetration_is_what_volume_leaves_of_the_depth():
    # DIN 82: a raised diamond at full form grows by 0.667 p on the diameter; depth at 90 degrees is p/2
    setup = setup_from_text(made.SETUP)
    assert penetration_mm(setup, 1.0) == pytest.approx(0.5 - 2 / 3 / 2, abs=1e-9)
    straight = setup_from_text('[part]\noutside_diameter = "20 mm"\n[pattern]\nform = "RAA"\nnormal_pitch = "1 mm"\n')
    assert penetration_mm(straight, 1.0) == pytest.approx(0.5 - 0.5 / 2)


def test_the_line_read_backwards_is_fiellers_interval():
    # solved here from its definition: dials at which the prediction interval of a new part just holds what is wanted
    dials = np.array([0.20, 0.25, 0.30, 0.35, 0.40, 0.45])
    reached = np.array([0.101, 0.128, 0.149, 0.178, 0.199, 0.226])
    line = stats.linregress(dials, reached)
    rest = reached - line.intercept - line.slope * dials
    s, t = np.sqrt((rest**2).sum() / 4), stats.t.ppf(0.975, 4)
    x = np.linspace(0.2, 0.45, 500_001)
    reach = t * s * np.sqrt(1 + 1 / 6 + (x - dials.mean()) ** 2 / ((dials - dials.mean()) ** 2).sum())
    inside = x[np.abs(0.16 - line.intercept - line.slope * x) <= reach]
    found = dial_for(points(dials, reached, u=1e-6), 0.16)
    assert (found.low_mm, found.high_mm) == pytest.approx((inside[0], inside[-1]), abs=1e-5)
    assert found.dial_mm == pytest.approx((0.16 - line.intercept) / line.slope)


def test_the_interval_holds_the_next_part_as_often_as_it_says():
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(400):
        dials = rng.choice([0.25, 0.30, 0.35, 0.40], 8)
        reached = 0.5 * dials + rng.normal(0, 0.004, 8)
        try:
            found = dial_for(points(dials, reached), 0.16)
        except ExchangeError:
            held += 1  # all at nearly one infeed: nothing was claimed
            continue
        needed = (0.16 - rng.normal(0, 0.004)) / 0.5
        held += found.low_mm <= needed <= found.high_mm
    # 95 % of 400 are 380, standard deviation 4.4: four of them
    assert held >= 362


def test_one_infeed_gives_a_spring_near_it_only():
    found = dial_for(points([0.30] * 4, [0.150, 0.154, 0.146, 0.150]), 0.155)
    assert found.dial_mm == pytest.approx(0.305)
    half = stats.t.ppf(0.975, 3) * np.std([0.150, 0.154, 0.146, 0.150], ddof=1) * np.sqrt(1.25)
    assert found.high_mm - found.low_mm == pytest.approx(2 * half)
    with pytest.raises(ExchangeError, match="far from"):
        dial_for(points([0.30] * 4, [0.150] * 4), 0.25)


@pytest.mark.parametrize(
    ("dials", "reached", "words"),
    [
        ([0.3, 0.3], [0.1, 0.1], "2 cuts"),
        ([], [], "0 cuts"),
        ([0.2, 0.25, 0.3, 0.35, 0.4], [0.15, 0.11, 0.16, 0.12, 0.14], "scatter hides it"),
        ([0.2, 0.25, 0.3, 0.35, 0.4], [0.10, 0.125, 0.15, 0.175, 0.20], "far from"),
    ],
)
def test_what_the_records_do_not_tell_is_not_told(dials, reached, words):
    with pytest.raises(ExchangeError, match=words):
        dial_for(points(dials, reached), 0.30)


def test_dials_on_the_diameter_are_halved_and_unknown_scales_left_out():
    cuts = [
        made_records.handed_on(made_records.cut(0.8, process=PROCESS.format("0.6 mm", "diameter"))),
        made_records.handed_on(
            made_records.cut(0.8, process=PROCESS.format("0.6 mm", "radius")), bench={"dial_readings_mm": [0.2, 0.31]}
        ),
        made_records.handed_on(made_records.cut(0.8, process='[process]\ndial_infeed = "0.6 mm"\n')),
        made_records.handed_on(made_records.cut(0.8)),
        made_records.handed_on(made.inspected(made.nothing())),
    ]
    found = dial_points(cuts)
    assert [p.dial_mm for p in found] == pytest.approx([0.3, 0.31])
    # depth H = 0.4 of p = 1 and fill 0.8, growth 2 H (f - f²/3): DIN 82's integral
    assert found[0].penetration.value == pytest.approx(0.4 - 0.4 * (0.8 - 0.64 / 3))


def worn(fills, start=0, u=0.01, label="W1"):
    return [
        made_records.handed_on(made_records.cut(float(f), u=u), bench={"wheels_rolled": {label: start + 50 * i}})
        for i, f in enumerate(fills)
    ]


def test_a_wheel_that_wears_is_named():
    rng = np.random.default_rng(5)
    made_of = wear(worn(0.9 - 0.006 * np.arange(25) + rng.normal(0, 0.01, 25)), "W1")
    fill, balance, ghost = made_of.figures
    assert fill.drifts and fill.words.startswith("drifts: -0.1")
    assert fill.trend.change == pytest.approx(-0.144, abs=0.03)
    assert any(i > 20 for i, _ in fill.signals)
    assert not balance.drifts and not ghost.drifts


def test_a_sound_wheel_is_seldom_called_worn():
    rng = np.random.default_rng(11)
    template = worn(np.full(12, 0.8))
    calls = 0
    for _ in range(100):
        for done in template:
            part = done.result.parts[0]
            object.__setattr__(
                part, "form_fill", part.form_fill.model_copy(update={"value": 0.8 + rng.normal(0, 0.02)})
            )
        calls += wear(template, "W1").figures[0].drifts
    assert calls <= 14  # 5 of a hundred are due, standard deviation 2.2: four of them


def test_few_parts_and_uncounted_ones_tell_nothing():
    few = wear([*worn([0.8, 0.7, 0.6]), made_records.handed_on(made_records.cut(0.5))], "W1")
    assert few.uncounted == 1 and "rolled=W1:340" in few.notes[0]
    assert not few.figures[0].drifts and "too few" in few.figures[0].words
    assert "too few" in wear([], "W1").figures[0].words
    assert not wear(worn([0.8] * 8, start=0), "other").figures[0].rolled


def test_the_plot_is_the_same_each_time():
    for some in (wear(worn(np.linspace(0.9, 0.8, 24)), "W<1>"), wear([], "W1")):
        svg = wear_svg(some)
        assert svg == wear_svg(some)
        assert ElementTree.fromstring(svg).tag.endswith("svg")


def test_the_commands(tmp_path, capsys):
    store = str(tmp_path / "s")
    setup = tmp_path / "s.toml"
    setup.write_text(made.SETUP)
    with open_store(store, create=True) as opened:
        new_job(opened, "2041", JobFacts(material="Brass"), SIGNED)
        for i, (dial, fill) in enumerate([(0.25, 0.55), (0.28, 0.65), (0.31, 0.74), (0.34, 0.86), (0.36, 0.95)]):
            data = made_records.jpeg(64, 64, i)
            cut = made_records.cut(fill, u=0.005, process=PROCESS.format(f"{dial} mm", "radius"))
            result = json.loads(json_text(result_of(cut)))
            result["photos"][0]["sha256"] = hashlib.sha256(data).hexdigest()
            result["setup"]["content"]["wheel"] = [{"label": "W1"}]
            bench = BenchFacts(machine="lathe 3", wheels_rolled={"W1": 40 * i})
            attach(opened, "2041", result, [Picture("a.jpg", data)], bench=bench, signed=SIGNED)
    ask = ["job", "spring", "lathe 3", "--setup", str(setup), "--material", "brass", "--fill", "0.8", "--store", store]
    assert run(ask) == 0
    said = capsys.readouterr().out
    assert "dial on the RADIUS 0.3" in said and "95 % interval" in said and "from 5 cuts" in said
    plan = ["plan", "--form", "RGE", "--pitch", "1mm", "--outside-diameter", "20mm", "--fill", "0.8", "--store", store]
    plan += ["--material", "brass", "--machine", "lathe 3"]
    assert run([*plan, "--json", "-"]) == 0
    learnt = json.loads(capsys.readouterr().out)
    assert learnt["dial"]["cuts"] == 5
    assert learnt["dial"]["low_mm"] < learnt["dial"]["dial_mm"] < learnt["dial"]["high_mm"]
    assert learnt["dial"]["penetration_mm"] == pytest.approx(learnt["penetration_mm"])
    assert run([*plan, "--sheet", str(tmp_path / "sheet.html")]) == 0
    said = capsys.readouterr().out
    assert "dial on this machine, on the radius" in said and "nobody knows" not in said
    assert "for the next part (95 %)" in (tmp_path / "sheet.html").read_text()
    few = [*plan[:-1], "lathe 4"]
    assert run([*few, "--json", "-"]) == 0
    learnt = json.loads(capsys.readouterr().out)
    assert learnt["dial"] is None and "0 cuts" in learnt["dial_unknown"]
    assert run([*few, "--sheet", str(tmp_path / "few.html")]) == 0
    said = capsys.readouterr().out
    assert "unknown: 0 cuts" in said and "0 cuts" in (tmp_path / "few.html").read_text()
    assert max(map(len, said.splitlines())) <= 100
    assert run([*plan[:-4], "--machine", "lathe 3"]) == 2
    assert "--material" in capsys.readouterr().err
    assert run(plan[:-2]) == 2
    assert "--store is for --machine" in capsys.readouterr().err
    ask[2] = "lathe 4"
    assert run(ask) == 2
    assert "0 cuts" in capsys.readouterr().err
    assert run(["job", "wear", "W1", "--plot", str(tmp_path / "w.svg"), "--store", store]) == 0
    assert "5 parts" in capsys.readouterr().out and (tmp_path / "w.svg").exists()
    assert run(["job", "compare", "2041", "--report", str(tmp_path / "c.html"), "--store", store]) == 0
    assert "dial_infeed" in capsys.readouterr().out
    assert run(["job", "compare", "2041", "2", "--store", store]) == 2
