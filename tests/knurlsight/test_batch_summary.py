"""Summaries: capability, run charts, tables, page, tiles."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import made_patterns as made
import numpy as np
import pytest
from knurlsight.batch import capability as capability_module
from knurlsight.batch.capability import LEAST_PARTS, capability
from knurlsight.batch.job import Row
from knurlsight.batch.lines import Figure, PartLine, line_of_row, lines_of_tray, short
from knurlsight.batch.run_chart import LEAST_POINTS, constants, run_chart, run_signals
from knurlsight.batch.screen import batch_screen
from knurlsight.batch.summary import summarise
from knurlsight.batch.summary_page import html
from knurlsight.batch.summary_table import column_name, csv_bytes, parquet_bytes
from knurlsight.batch.tiles import failed_lines, sheet, tiles
from knurlsight.result import result_of

FIXTURES = Path(__file__).parents[2] / "fixtures"


def read(name: str) -> list[dict[str, str]]:
    with (FIXTURES / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


# --- capability ------------------------------------------------------------------------------------------------------


def spread(mean: float, s: float, n: int = 200) -> np.ndarray:
    """Normal-looking values (quantiles) of exactly this mean and standard deviation."""
    from scipy.stats import norm

    z = norm.ppf((np.arange(n) + 0.5) / n)
    z = (z - z.mean()) / z.std(ddof=1)
    return mean + s * z


def test_the_e_handbooks_example():
    # NIST/SEMATECH e-Handbook, process capability: USL 20, LSL 8, mean 16, s 2 give 1.0 and 0.6667 (from memory)
    able = capability(spread(16, 2), 8, 20)
    assert able.pp == pytest.approx(1.0, abs=5e-5) and able.ppk == pytest.approx(0.6667, abs=5e-5)


def test_one_limit_gives_no_pp():
    able = capability(spread(16, 2), None, 20)
    assert able.pp is None and able.ppk == pytest.approx(2 / 3)
    # a ratio cannot be below 0: a limit there is none
    assert capability(spread(0.5, 0.05), 0.0, 0.8, (0.0, 1.0)).pp is None


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (spread(16, 2, LEAST_PARTS - 1), "24 parts"),
        (np.full(40, 3.0), "the same"),
        (np.exp(spread(0, 1.0)), "not normally spread"),
    ],
)
def test_no_figure_where_it_would_mislead(values, words):
    able = capability(values, 0.1, 20)
    assert (able.pp, able.ppk) == (None, None) and words in able.why


def test_the_intervals_hold_the_truth_as_often_as_they_say(monkeypatch):
    # 400 draws of 50 parts: 95 % within three standard deviations of a binomial count
    monkeypatch.setattr(capability_module, "NORMAL_RISK", 0.0)
    rng = np.random.default_rng(5)
    held = np.zeros(2)
    draws, ppk, pp = 400, 1.25, 1.5
    for _ in range(draws):
        able = capability(rng.normal(0.75, 1.0, 50), -4.5, 4.5)
        held += [able.pp_interval[0] <= pp <= able.pp_interval[1], able.ppk_interval[0] <= ppk <= able.ppk_interval[1]]
    slack = 3 * math.sqrt(0.95 * 0.05 / draws)
    assert np.all(np.abs(held / draws - 0.95) < slack)


# --- run charts ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", read("reference_control_charts.csv"), ids=lambda r: f"n={r['n']}")
def test_constants_are_those_of_the_table(row):
    found = constants(int(row["n"]))
    for name in ("d2", "d3", "c4", "A2", "A3", "D3", "D4", "B3", "B4"):
        assert getattr(found, name) == pytest.approx(float(row[name]), abs=2e-6), name


def test_flow_width_example():
    # statistical quality control textbook, flow width, 25 groups of 5 (printed results from memory)
    values = np.array([float(r["value"]) for r in read("reference_batches.csv")])
    chart = run_chart(values, 5)
    assert chart.centre == pytest.approx(1.5056, abs=5e-5)
    # printed with A2 rounded to 0.577, half a digit of which is 0.0005 times the mean range 0.32521
    assert chart.limits == pytest.approx((1.31795, 1.69325), abs=0.0005 * 0.32521)
    assert chart.sigma * math.sqrt(5) == pytest.approx(0.1398, abs=5e-5)
    assert chart.signals == ()


def test_single_values_and_too_few():
    rng = np.random.default_rng(2)
    values = rng.normal(10, 0.5, 4000)
    chart = run_chart(values)
    assert chart.sigma == pytest.approx(0.5, rel=0.04)
    assert math.isnan(run_chart(values[: LEAST_POINTS - 1]).sigma)
    assert len(run_chart(values[:23], 5).points) == 4
    assert run_chart(np.empty(0)).signals == ()


def test_false_alarms_come_as_often_as_published():
    # Champ and Woodall 1987 (from memory): the four rules together speak every 91.75 points on average
    rng = np.random.default_rng(11)
    lengths = []
    for _ in range(600):
        signals = run_signals(rng.normal(size=1500), 0.0, 1.0)
        lengths.append(signals[0][0] + 1 if signals else 1500)
    assert np.mean(lengths) == pytest.approx(91.75, abs=3 * np.std(lengths) / math.sqrt(len(lengths)))


@pytest.mark.parametrize(
    ("points", "at", "words"),
    [
        ([0, 0, 3.1, 0], 2, "beyond the limits"),
        ([0, 2.1, 0, 2.2, 0], 3, "two of three"),
        ([1.1, 1.2, -0.5, 1.3, 1.4], 4, "four of five"),
        ([-0.1] * 8, 7, "eight in a row"),
    ],
)
def test_each_rule(points, at, words):
    for side in (1, -1):
        signals = run_signals(side * np.array(points), 0.0, 1.0)
        assert [i for i, _ in signals] == [at] and words in signals[0][1]
    assert run_signals(np.array([2.1, 0, 0, 2.1, -2.1]), 0.0, 1.0) == ()


# --- lines and summary -----------------------------------------------------------------------------------------------


def row(name="a.jpg", pattern=None, setup=made.SETUP) -> Row:
    result = result_of(made.inspected(pattern or made.pattern(), setup)).model_dump(mode="json")
    return Row(name, (name,), (), "0" * 64, "r", result["verdict"], "", json.loads(json.dumps(result)))


def test_a_row_as_a_line():
    line = line_of_row(row(pattern=made.pattern("RBR", (made.family("right"),))))
    assert line.verdict == "fail" and "form" in line.failed and line.causes and len(line.zone_px) == 4
    pitch = next(f for f in line.figures if f.name == "normal pitch of the right-hand family")
    assert (pitch.value, pitch.lower, pitch.upper, pitch.unit) == (1.0, 0.96, 1.04, "mm")
    length = next(f for f in line.figures if f.name == "outside diameter")
    assert length.lower is None and length.u == 0.03
    unread = Row("x", ("x",), (), "", "r", "unreadable", "is empty", None)
    assert line_of_row(unread).why == ("is empty",)


def test_names_without_family_or_end():
    assert short("normal pitch of the left-hand family") == "normal pitch"
    assert short("run-in at end 2") == "run-in"
    assert short("double tracking (ghost ratio), right-hand family") == "double tracking (ghost ratio)"
    assert short("balance of the two families") == "balance of the two families"


def batch(n: int = 30) -> list[PartLine]:
    rng = np.random.default_rng(9)
    lines = []
    for i in range(n):
        pitch = 1.0 + 0.01 * rng.normal()
        families = (made.family("right", pitch), made.family("left", pitch))
        lines.append(replace(line_of_row(row(pattern=made.pattern(families=families))), id=f"P{i:02}"))
    bad = line_of_row(row("b.jpg", made.pattern("RBR", (made.family("right"),))))
    return [*lines, bad, PartLine("K-9", "t.jpg", "missing", ("missing, no part at place A3",))]


def test_a_batch_summed_up():
    whole = summarise(batch())
    assert whole.counts == (("fail", 1), ("missing", 1), ("pass", 30))
    assert not whole.by_time and whole.lines[0].id == "P00"
    pitch = next(s for s in whole.spreads if s.name == "normal pitch of the left-hand family")
    assert len(pitch.values) == 30 and pitch.capability.ppk is not None
    low, high = pitch.capability.ppk_interval
    assert low < pitch.capability.ppk < high
    assert 0 < pitch.measuring_share < 1
    assert ("form", 1) in whole.failed and whole.causes
    assert summarise([]).counts == ()


def test_order_of_time_where_every_photo_has_one():
    lines = [PartLine(str(i), "p", "pass", taken_at=f"2031-01-0{9 - i}T10:00:00") for i in range(5)]
    assert [line.id for line in summarise(lines).lines] == ["4", "3", "2", "1", "0"]
    assert not summarise([*lines, PartLine("x", "p", "pass")]).by_time


def test_parts_of_different_setups_are_not_thrown_together():
    figures = [Figure("helix", 30.0, 0.1, "deg", 30.0, 28.0, 32.0), Figure("helix", 45.0, 0.1, "deg", 45.0, 43.0, 47.0)]
    lines = [PartLine(str(i), "p", "pass", figures=(figures[i % 2],)) for i in range(6)]
    assert [len(s.values) for s in summarise(lines).spreads] == [3, 3]


def test_the_terminal_says_it_in_one_table():
    text = batch_screen(summarise(batch()), 32)
    assert "32 of 32 photos: 1 FAIL, 1 missing, 30 pass" in text
    assert "Ppk" in text and "fails most: " in text and "K-9  missing" in text
    few = batch_screen(summarise(batch(4)), 6, "in")
    assert "Ppk" not in few and " in" in few


# --- files -----------------------------------------------------------------------------------------------------------


def test_the_table_and_its_two_forms():
    import pyarrow.parquet as pq

    lines = batch(5)
    rows = list(csv.reader(io.StringIO(csv_bytes(lines).decode("utf-8-sig"), newline="")))
    parquet = pq.read_table(io.BytesIO(parquet_bytes(lines)))
    assert rows[0] == parquet.column_names and len(rows) == 1 + parquet.num_rows == 8
    at = rows[0].index("normal_pitch_left_hand_mm")
    assert float(rows[1][at]) == parquet["normal_pitch_left_hand_mm"][0].as_py()
    assert rows[-1][at] == "" and parquet["normal_pitch_left_hand_mm"][6].as_py() is None
    assert parquet["helix_left_hand_u_deg"][0].as_py() == 0.2


@pytest.mark.parametrize("name", ["=1+1", "+A1", "-2", "@x", "\tx"])
def test_a_cell_is_never_a_formula(name):
    text = csv_bytes([PartLine(name, name, "pass", (name,))]).decode("utf-8-sig")
    cells = next(csv.reader(io.StringIO(text.split("\r\n", 1)[1], newline="")))
    assert cells[0] == cells[1] == cells[4] == f"'{name}"


def test_column_names():
    assert column_name("double tracking (ghost ratio), right-hand family") == "double_tracking_ghost_ratio_right_hand"
    assert column_name("run-in at end 1") == "run_in_at_end_1"


def test_the_page_is_whole_and_harmless():
    lines = [*batch(4), PartLine("<script>x</script>", "p", "unreadable", ("<b>",))]
    made_tiles = tiles(failed_lines(lines), {})
    page = html(summarise(lines), "<i>t</i>", made_tiles)
    assert "<script" not in page and "<i>t" not in page and "<b>&lt;" not in page
    assert "http://" not in page.replace("http://www.w3.org", "") and "https://" not in page
    assert page.count("<svg") > 8 and page.count("data:image/jpeg") == 1
    assert "Ppk" in page and "missing" in page
    assert "25.4" not in html(summarise([]), "nothing")


def test_tiles_of_what_did_not_pass(tmp_path):
    lines = [
        PartLine("ok", "a", "pass"),
        PartLine("doubt", "a", "cannot_tell", ("why " * 60,)),
        PartLine("bad", "a", "fail", ("pitch",), zone_px=((300, 300), (900, 300), (900, 600), (300, 600))),
        PartLine("gone", "b", "fail"),
    ]
    made_tiles = tiles(failed_lines(lines), {"a": FIXTURES / "diamond_rule.jpg", "b": tmp_path / "none.jpg"})
    assert [line.id for line, _ in made_tiles] == ["bad", "gone", "doubt"]
    assert made_tiles[0][1].std() > made_tiles[1][1].std()
    assert sheet(made_tiles).shape[1] > 3 * 320 and sheet([]).size


def test_lines_of_a_tray():
    result = result_of(made.inspected(made.pattern(), parts=3)).model_dump(mode="json")
    lines = lines_of_tray(result, "t.jpg", [("K-1", "missing, no part")])
    assert [line.id for line in lines] == ["A1", "A2", "A3", "K-1"] and lines[-1].verdict == "missing"
