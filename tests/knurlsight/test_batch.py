"""Trays and folders: names by place, parts side by side, rows that survive an interruption."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
import time
from concurrent.futures import BrokenExecutor, Future, ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import made_patterns as made
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from knurlsight import cli, inspection
from knurlsight.batch import tray
from knurlsight.batch.folder import photos_below
from knurlsight.batch.job import Ask, Row
from knurlsight.batch.rows import read_done, rows_in
from knurlsight.batch.tray import standing_apart
from knurlsight.batch.tray_places import places
from knurlsight.errors import KnurlsightError, OutputError
from knurlsight.finding.outline import find_parts
from knurlsight.setup_math.setup import setup_from_text
from knurlsight.side_by_side import side_by_side
from photoscale.photo import load_photo
from photoscale.words import parse_scale
from PIL import Image

FIXTURES = Path(__file__).parents[2] / "fixtures"
PHOTO = FIXTURES / "diamond_rule.jpg"
GRID = [np.array([x * 300.0, y * 200.0]) for y in range(3) for x in range(4)]
NAMES = [f"{row}{place}" for row in "ABC" for place in (1, 2, 3, 4)]


# --- names by place --------------------------------------------------------------------------------------------------


def test_reading_order():
    assert places(GRID) == NAMES
    assert places(GRID[:1]) == ["A1"] and places([]) == []


@settings(max_examples=50)
@given(st.floats(-35, 35), st.permutations(range(12)), st.floats(-0.04, 0.04))
def test_names_are_stable_when_the_camera_turns_or_tilts_and_in_any_order(degrees, order, tilt):
    a = math.radians(degrees)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    middle = np.mean(GRID, axis=0)
    seen = []
    for i in order:
        p = GRID[i] - middle
        seen.append(turn @ (p * (1 + tilt * p[0] / 450)) + middle)
    assert places(seen) == [NAMES[i] for i in order]


@pytest.mark.parametrize("empty", [(5,), (0,), (0, 5), (1, 4, 10)])
def test_an_empty_place_moves_no_other_name(empty):
    there = [i for i in range(12) if i not in empty]
    assert places([GRID[i] for i in there]) == [NAMES[i] for i in there]


def test_parts_in_no_columns_are_numbered_along_their_row():
    shifted = [p * [1.0, 2.5] + [130.0 * (i // 4), 0] for i, p in enumerate(GRID) if i != 5]
    names = places(shifted)
    assert names == [*NAMES[:4], "B1", "B2", "B3", *NAMES[8:]]
    stray = np.array([450.0, 0.0])
    assert places([*GRID, stray]) == ["A1", "A2", "A4", "A5", *NAMES[4:], "A3"]


def lower(part, px):
    """The same part that many px farther down in the photo."""
    across, down = part.camera.centre_px
    camera = replace(part.camera, centre_px=(across, down + px))
    return replace(part, camera=camera, edges_px=part.edges_px + np.array([0.0, px]))


def test_parts_do_not_lie_over_each_other_or_over_the_scale():
    one = made.outline()
    aside = lower(one, 480.0)
    kept = standing_apart([one, made.outline(angle_deg=3.0), aside], np.empty((0, 2)))
    assert kept == [one, aside]
    marks = np.array([[590.0 + i, 440.0] for i in range(20)])
    assert standing_apart([one, aside], marks) == [aside]


def larger(part, times, right_px):
    """A part so many times as large in the photo, its middle moved to the right."""
    camera = replace(part.camera, focal_px=part.camera.focal_px * times)
    across, down = camera.centre_px
    camera = replace(camera, centre_px=(across + right_px, down))
    middle = np.array(part.camera.centre_px)
    return replace(part, camera=camera, edges_px=(part.edges_px - middle) * times + middle + np.array([right_px, 0.0]))


def test_what_is_less_clear_makes_no_thread_of_a_clearer_part():
    part = made.outline()
    none = np.empty((0, 2))
    # what seems to be a giant on the same axis makes no thread of a clearer part; a clearer workpiece does
    giant = larger(part, 3.0, 1100.0)
    assert part in standing_apart([part, giant], none)
    assert standing_apart([giant, part], none) == [giant]


# --- trays -----------------------------------------------------------------------------------------------------------


def tray_of(monkeypatch, patterns):
    """A tray of parts one above the other, each with its own pattern."""
    one = made.outline()
    outlines = [lower(one, 500.0 * i) for i in range(len(patterns))]
    by_edge = {float(o.edges_px[0, 0, 1]): p for o, p in zip(outlines, patterns, strict=True)}
    monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: tuple(outlines))
    monkeypatch.setattr(
        inspection, "measure_part", lambda _p, o, *_: replace(by_edge[float(o.edges_px[0, 0, 1])], outline=o)
    )
    monkeypatch.setattr(inspection, "scale_cylinder", lambda *_, **__: made.scale())


@pytest.mark.parametrize(
    ("patterns", "status"),
    [
        ([made.pattern(), made.pattern()], 0),
        ([made.pattern(), made.nothing()], 3),
        ([made.pattern(), made.nothing(), made.pattern("RBR", (made.family("right"),))], 1),
        ([], 3),
    ],
)
def test_a_tray_is_as_its_worst_part(patterns, status, monkeypatch, tmp_path, capsys):
    tray_of(monkeypatch, patterns)
    setup, out, picture = tmp_path / "s.toml", tmp_path / "r.json", tmp_path / "r.jpg"
    setup.write_text(made.SETUP)
    words = [
        "--setup",
        setup,
        "--scale",
        "od:20mm",
        "--json",
        out,
        "--picture",
        picture,
        "--report",
        tmp_path / "r.html",
        "--jobs",
        1,
    ]
    assert cli.run(["batch", str(PHOTO), *map(str, words)]) == status
    written = json.loads(out.read_text())
    assert [p["id"] for p in written["parts"]] == [f"{'ABC'[i]}1" for i in range(len(patterns))]
    assert picture.stat().st_size > 1000
    text = capsys.readouterr().out
    assert f"{len(patterns)} parts" in text
    for part in written["parts"]:
        assert part["id"] in text


# --- folders ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: (made.outline(),))
    monkeypatch.setattr(inspection, "measure_part", lambda *_: made.pattern())
    monkeypatch.setattr(inspection, "scale_cylinder", lambda *_, **__: made.scale())
    root = tmp_path / "photos"
    (root / "second").mkdir(parents=True)
    for name, source in (("a.jpg", "diamond_rule"), ("b.jpg", "diamond_card"), ("second/c.JPG", "straight_knob")):
        shutil.copyfile(FIXTURES / f"{source}.jpg", root / name)
    (root / "d.jpg").write_text("no photo")
    (root / "notes.txt").write_text("not looked at")
    (root / ".hidden.jpg").write_text("not looked at")
    (root / "loop").symlink_to(root)
    return root


def run(folder: Path, *words: object) -> int:
    setup = folder.parent / "s.toml"
    setup.write_text(made.SETUP)
    return cli.run(["batch", str(folder), "--setup", str(setup), "--scale", "od:20mm", "--jobs", "1", *map(str, words)])


def rows_of(path: Path) -> list[dict]:
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_every_photo_is_a_row_and_one_that_cannot_be_read_says_so(folder, tmp_path, capsys):
    out = tmp_path / "rows.jsonl"
    assert run(folder, "--jsonl", out) == 3
    rows = {r["id"]: r for r in rows_of(out)}
    assert set(rows) == {"a.jpg", "b.jpg", "d.jpg", "second/c.JPG"}
    assert rows["a.jpg"]["verdict"] == "pass" and rows["a.jpg"]["result"]["parts"][0]["form"] == "RGE"
    assert rows["d.jpg"]["verdict"] == "unreadable" and "not a photo" in rows["d.jpg"]["error"]
    captured = capsys.readouterr()
    assert "4 of 4 photos: 1 unreadable, 3 pass" in captured.out and "d.jpg" in captured.out
    assert "4 of 4" in captured.err


@pytest.mark.parametrize("cut", [0, 1, 2, 3])
def test_an_interrupted_run_goes_on_where_it_stopped(folder, tmp_path, cut, monkeypatch, capsys):
    out = tmp_path / "rows.jsonl"
    run(folder, "--jsonl", out)
    whole = sorted(rows_of(out), key=lambda r: r["id"])
    lines = out.read_text().splitlines(keepends=True)
    # as a kill in the middle of writing a row leaves it
    out.write_text("".join(lines[:cut]) + lines[cut][: len(lines[cut]) // 2])
    measured = []
    monkeypatch.setattr(inspection, "measure_part", lambda *_: measured.append(1) or made.pattern())
    run(folder, "--jsonl", out)
    assert sorted(rows_of(out), key=lambda r: r["id"]) == whole
    assert len(measured) <= 4 - cut


def test_rows_of_another_setup_are_not_mixed_with_these(folder, tmp_path, capsys):
    out = tmp_path / "rows.jsonl"
    run(folder, "--jsonl", out)
    before = out.read_bytes()
    assert cli.run(["batch", str(folder), "--scale", "od:20mm", "--jsonl", str(out)]) == 2
    assert "another setup" in capsys.readouterr().err
    assert out.read_bytes() == before


@pytest.mark.parametrize("text", ["dear sir\n", "dear sir", '{"id": 1}\n'])
def test_a_file_that_holds_no_rows_is_left_alone(text, folder, tmp_path, capsys):
    out = tmp_path / "letter.txt"
    out.write_text(text)
    assert run(folder, "--jsonl", out) == 2
    assert out.read_text() == text


def test_a_full_disk_keeps_the_rows_before(folder, tmp_path, monkeypatch, capsys):
    import os

    out = tmp_path / "rows.jsonl"
    real, count = os.fsync, []

    def full(handle: int) -> None:
        count.append(1)
        if len(count) > 2:
            raise OSError(28, "No space left on device")
        real(handle)

    monkeypatch.setattr("os.fsync", full)
    assert run(folder, "--jsonl", out) == 2
    assert "No space left" in capsys.readouterr().err
    assert len(rows_of(out)) == 2


def test_a_bug_of_ours_costs_one_row_not_the_batch(folder, tmp_path, monkeypatch, capsys):
    def breaks_once(photo, *_):
        if photo.name == "b.jpg":
            raise ZeroDivisionError("made to break")
        return made.pattern()

    monkeypatch.setattr(inspection, "measure_part", breaks_once)
    out = tmp_path / "rows.jsonl"
    assert run(folder, "--jsonl", out) == 3
    rows = {r["id"]: r for r in rows_of(out)}
    assert rows["a.jpg"]["verdict"] == "pass" and "ZeroDivisionError" in rows["b.jpg"]["error"]
    Path(rows["b.jpg"]["error"].rsplit(" ", 1)[1]).unlink()


def test_a_fail_is_status_1_and_stops_a_fast_run(folder, tmp_path, monkeypatch, capsys):
    bad = made.pattern("RBR", (made.family("right"),))
    monkeypatch.setattr(inspection, "measure_part", lambda *_: bad)
    out = tmp_path / "rows.jsonl"
    assert run(folder, "--jsonl", out, "--fail-fast") == 1
    assert len(rows_of(out)) < 4
    assert run(folder, "--limit", 1) == 1


def test_a_folder_and_a_tray_take_different_outputs(folder, tmp_path, capsys):
    assert run(folder, "--json", tmp_path / "r.json") == 2
    assert "--jsonl" in capsys.readouterr().err
    assert cli.run(["batch", str(PHOTO), "--jsonl", str(tmp_path / "r.jsonl")]) == 2
    assert "--json" in capsys.readouterr().err


def test_a_folder_without_photos(tmp_path, capsys):
    with pytest.raises(KnurlsightError, match="no photo in it"):
        photos_below(tmp_path)
    assert cli.run(["batch", str(tmp_path)]) == 2


def test_the_request_tells_setups_and_scales_apart():
    setups = [setup_from_text(made.SETUP), setup_from_text(made.SETUP.replace("4 %", "5 %")), None]
    asks = {
        Ask(setup, scale, height).request
        for setup in setups
        for scale in ("card", None)
        for height in ("axis", "bench")
    }
    assert len(asks) == 12


def test_rows_read_back(tmp_path):
    row = Row("ü.jpg", ("ü.jpg",), ((3, 4),), "0" * 64, "r", "pass", "", {"reasons": []})
    path = tmp_path / "rows.jsonl"
    path.write_text(row.line())
    assert list(rows_in(path)) == [row]
    assert list(read_done(path, ["r"]).rows) == ["ü.jpg"]
    with pytest.raises(OutputError):
        read_done(path, ["other"])


def test_parts_measured_side_by_side_come_out_the_same(monkeypatch):
    tray_of(monkeypatch, [made.pattern(), made.nothing(), made.pattern()])
    request = inspection.ScaleRequest(parse_scale("od:20mm"))
    photo = load_photo(PHOTO)
    with ThreadPoolExecutor(3) as executor:
        threads = tray.inspect_tray(photo, None, request, executor)
    turns = tray.inspect_tray(photo, None, request)
    assert [(p.id, p.verdict, p.reasons) for p in threads.parts] == [(p.id, p.verdict, p.reasons) for p in turns.parts]


class Ended:
    """An executor whose workers were ended from outside, `late` only once the work was handed out."""

    def __init__(self, *, late):
        self.late = late

    def submit(self, work, /, *inputs):
        if not self.late:
            raise BrokenExecutor
        ended = Future()
        ended.set_exception(BrokenExecutor())
        return ended


def test_parts_are_found_side_by_side_as_in_turn():
    photo = load_photo(PHOTO)
    camera = inspection.camera_of(photo, inspection.ScaleRequest())
    with ThreadPoolExecutor(2) as executor:
        beside = find_parts(photo, camera, each=partial(side_by_side, executor))
    turns = find_parts(photo, camera)
    assert len(turns) == len(beside) == 1
    assert np.array_equal(turns[0].edges_px, beside[0].edges_px)


@pytest.mark.parametrize("things", [[], [3], list(range(30))])
def test_what_is_done_side_by_side_keeps_its_order_whatever_becomes_of_the_workers(things):
    with ThreadPoolExecutor(2) as executor:
        assert side_by_side(executor, abs, things) == things
    assert side_by_side(Ended(late=True), abs, things) == side_by_side(Ended(late=False), abs, things) == things


@pytest.mark.parametrize("late", [True, False])
def test_a_tray_outlives_its_workers(late, monkeypatch):
    tray_of(monkeypatch, [made.pattern()])
    request = inspection.ScaleRequest(parse_scale("od:20mm"))
    whole = tray.inspect_tray(load_photo(PHOTO), None, request, Ended(late=late))
    assert "ended from outside" in whole.parts[0].reasons[0]


def test_workers_measure_the_same_as_one_process(tmp_path, capsys):
    # real photos, small and without a part, so that only the machinery takes time
    root = tmp_path / "photos"
    root.mkdir()
    for i in range(3):
        grey = np.full((300, 400), 100 + 20 * i, np.uint8)
        Image.fromarray(grey).save(root / f"{i}.png")
    out = {jobs: tmp_path / f"{jobs}.jsonl" for jobs in (1, 2)}
    for jobs, path in out.items():
        words = ["--scale", "od:20mm", "--jobs", str(jobs), "--jsonl", str(path)]
        assert cli.run(["batch", str(root), *words]) == 3
    one, two = (sorted(rows_of(p), key=lambda r: r["id"]) for p in out.values())
    assert one == two and [r["verdict"] for r in one] == ["cannot_tell"] * 3


def test_a_run_that_is_killed_outright_goes_on_and_leaves_no_worker_behind(tmp_path):
    root, out = tmp_path / "photos", tmp_path / "rows.jsonl"
    root.mkdir()
    for i in range(24):
        Image.fromarray(np.full((200, 300), 60 + 5 * i, np.uint8)).save(root / f"{i:02}.png")
    command = [sys.executable, "-m", "knurlsight", "batch", str(root), "--scale", "od:20mm", "--jsonl", str(out)]
    run_one = subprocess.Popen([*command, "--jobs", "2"], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    patience = time.monotonic() + 60
    while not (out.exists() and out.read_bytes().count(b"\n") >= 2) and time.monotonic() < patience:
        time.sleep(0.01)
    run_one.kill()
    # the workers hold the pipes open: end of file comes when the last of them is gone
    run_one.communicate(timeout=30)
    before = out.read_bytes().count(b"\n")
    done = subprocess.run([*command, "--jobs", "1"], capture_output=True, check=False)
    assert done.returncode == 3
    assert [r["id"] for r in sorted(rows_of(out), key=lambda r: r["id"])] == [f"{i:02}.png" for i in range(24)]
    assert before >= 2
