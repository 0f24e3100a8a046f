"""Tray files: what they say, what is wrong with them, and which place each part has."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import made_patterns as made
import numpy as np
import pytest
from knurlsight import cli, inspection
from knurlsight.batch.tray import level_of, unlike
from knurlsight.batch.tray_file import read_tray, tray_text
from knurlsight.batch.tray_places import placed, places, places_px
from knurlsight.errors import KnurlsightError
from knurlsight.reporting import annotate
from photoscale.card import CardReading

FIXTURES = Path(__file__).parents[2] / "fixtures"
PHOTO = FIXTURES / "diamond_rule.jpg"
LAYOUT = [(60.0 * x, 45.0 * y) for y in range(3) for x in range(4)]


def seen(indices, degrees=0.0, scale=7.0, tilt=0.05, jitter=2.0, seed=0):
    """Places of the layout as a camera turned and tilted a little sees parts in them."""
    rng = np.random.default_rng(seed)
    a = math.radians(degrees)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    points = (np.array([LAYOUT[i] for i in indices]) - [90, 45]) * scale
    points = points * (1 + tilt * points[:, :1] / 630)
    return list(points @ turn.T + [2000, 1500] + rng.normal(0, jitter * scale / 7, (len(indices), 2)))


@pytest.mark.parametrize("degrees", [-40, -15, 0, 8, 30])
@pytest.mark.parametrize("gone", [(), (5,), (0, 11), (0, 1, 6)])
def test_every_part_has_its_place(degrees, gone):
    left = [i for i in range(12) if i not in gone]
    order = list(np.random.default_rng(len(gone)).permutation(left))
    found = placed(LAYOUT, [True] * 12, seen(order, degrees), 0.0)
    assert found.certain and list(found.of_part) == order


@pytest.mark.parametrize("turn", [90, 180, -90, 200])
def test_a_card_tells_the_places_however_the_camera_is_turned(turn):
    found = placed(LAYOUT, [True] * 12, seen(range(12), turn), math.radians(turn))
    assert found.certain and list(found.of_part) == list(range(12))
    names = places(seen(range(12), turn), math.radians(turn))
    assert names == [f"{row}{place}" for row in "ABC" for place in (1, 2, 3, 4)]


def test_a_missing_column_at_the_edge_is_not_guessed():
    left = [i for i in range(12) if i % 4]
    assert not placed(LAYOUT, [True] * 12, seen(left), 0.0).certain


def test_a_place_that_should_be_empty_settles_the_shift():
    wanted = [i % 4 != 0 for i in range(12)]
    left = [i for i in range(12) if i % 4]
    found = placed(LAYOUT, wanted, seen(left), 0.0)
    assert found.certain and list(found.of_part) == left


def test_a_part_beside_the_places_has_none():
    points = [*seen(range(12)), np.array([2000.0 + 7 * 30, 1500.0 + 7 * 22])]
    found = placed(LAYOUT, [True] * 12, points, 0.0)
    assert found.certain and found.of_part[:12] == tuple(range(12)) and found.of_part[12] is None


def test_one_part_in_many_places_is_not_placed():
    assert not placed(LAYOUT, [True] * 12, seen([3]), 0.0).certain
    assert placed([(0, 0)], [True], [np.array([5.0, 6.0])], 0.0).of_part == (0,)
    assert placed(LAYOUT, [True] * 12, [], 0.0).of_part == ()


def test_the_print_on_the_card_is_level():
    mm = np.array([[x, y] for y in range(4) for x in range(7)], np.float64) * 10
    a = math.radians(130)
    px = mm @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]]) * 8 + 500
    assert level_of(CardReading(px, mm, 10.0, 0.03, 0.1)) == pytest.approx(a)
    assert level_of(None) is None


# --- the file --------------------------------------------------------------------------------------------------------


def test_a_tray_file_that_was_written_is_read(tmp_path):
    path = tmp_path / "t.toml"
    path.write_text(tray_text([("A1", (10.2, 20)), ("A2", (70, 20.4))], "photo", "full\ntray.jpg"))
    read = read_tray(path)
    assert [(p.name, p.at, p.part, p.setup) for p in read.places] == [
        ("A1", (10, 20), "A1", None),
        ("A2", (70, 20), "A2", None),
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no [place.NAME]"),
        ("[place.A1]\nat = [0]\n", "[place.A1] at"),
        ("[place.A1]\nat = [0, nan]\n", "[place.A1] at"),
        ("[place.A1]\nat = [0, 0]\nprat = 'x'\n", "nearest is part"),
        ("[trya]\n[place.A1]\nat = [0, 0]\n", "nearest is tray"),
        ("[place.A1]\nat = [0, 0]\n[place.A1]\nat = [1, 0]\n", "not TOML"),
        ("[place.A1]\nat = [0, 0]\npart = 'K'\n[place.A2]\nat = [1, 0]\npart = 'K'\n", "expected at A1 already"),
        ("[place.A1]\nat = [0, 0]\n[place.A2]\nat = [9, 0]\n[place.A3]\nat = [9, 0.1]\n", "is the spot of A2"),
        ("[place.A1]\nat = [0, 0]\nempty = true\npart = 'K'\n", "keep one"),
        ("[tray]\ntop = 'left'\n[place.A1]\nat = [0, 0]\n", '"card"'),
        ("[tray]\nsetup = 'gone.toml'\n[place.A1]\nat = [0, 0]\n", "does not exist"),
        ("place = 3\n", "tables are wanted"),
    ],
)
def test_a_bad_tray_file_says_what_is_wrong(text, words, tmp_path):
    path = tmp_path / "t.toml"
    path.write_text(text)
    with pytest.raises(KnurlsightError) as e:
        read_tray(path)
    assert words in e.value.message and str(path) in e.value.message


def test_a_tray_file_that_is_not_there_or_not_text(tmp_path):
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(KnurlsightError, match="is not a file"):
            read_tray(path)
    (tmp_path / "b.toml").write_bytes(b"\xff\xd8\xff")
    with pytest.raises(KnurlsightError, match="UTF-8"):
        read_tray(tmp_path / "b.toml")


# --- a tray with its file --------------------------------------------------------------------------------------------


@pytest.fixture
def rack(monkeypatch, tmp_path):
    """Photo of a column of five places, 400 px apart, of which some are filled with good parts."""
    one = made.outline()

    def fill(places_filled, patterns=None):
        outlines = [
            replace(
                one,
                camera=replace(one.camera, centre_px=(one.camera.centre_px[0], one.camera.centre_px[1] + 400.0 * i)),
                edges_px=one.edges_px + np.array([0.0, 400.0 * i]),
            )
            for i in places_filled
        ]
        by_edge = {
            float(o.edges_px[0, 0, 1]): p
            for o, p in zip(outlines, patterns or [made.pattern()] * len(outlines), strict=True)
        }
        monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: tuple(outlines))

        def measured(_photo, outline, *_):
            pattern = by_edge[float(outline.edges_px[0, 0, 1])]
            if isinstance(pattern, Exception):
                raise pattern
            return replace(pattern, outline=outline)

        monkeypatch.setattr(inspection, "measure_part", measured)
        monkeypatch.setattr(inspection, "scale_cylinder", lambda *_, **__: made.scale())

    (tmp_path / "good.toml").write_text(made.SETUP)
    (tmp_path / "other.toml").write_text(made.SETUP.replace('"1.0 mm"', '"1.3 mm"'))
    file = tmp_path / "tray.toml"
    # uneven, so that it fits in one way only
    text = '[tray]\nsetup = "good.toml"\n'
    for i in range(5):
        text += f'[place.P{i + 1}]\nat = [{20 if i == 1 else 0}, {100 * i}]\npart = "K-{i + 1}"\n'
    file.write_text(text)

    def run(*words):
        out = tmp_path / "r.json"
        status = cli.run(
            ["batch", str(PHOTO), "--scale", "od:20mm", "--jobs", "1", "--json", str(out), *map(str, words)]
        )
        return status, json.loads(out.read_text()) if out.exists() else {}

    return fill, run, file


def test_parts_are_called_as_the_file_says_and_judged_by_their_own_setup(rack, capsys):
    fill, run, file = rack
    file.write_text(
        file.read_text().replace('part = "K-4"', 'part = "K-4"\nsetup = "other.toml"').replace("[20,", "[0,")
    )
    fill(range(5))
    status, result = run("--tray", file)
    assert [p["id"] for p in result["parts"]] == ["K-1", "K-2", "K-3", "K-4", "K-5"]
    assert [p["verdict"] for p in result["parts"]] == ["pass", "pass", "pass", "fail", "pass"]
    assert status == 1


def test_a_missing_part_is_named_and_the_tray_does_not_pass(rack, capsys, tmp_path):
    fill, run, file = rack
    file.write_text(file.read_text().replace("[20,", "[0,"))
    fill([0, 1, 3, 4])
    table = tmp_path / "t.csv"
    status, result = run("--tray", file, "--summary", table)
    assert status == 3 and result["verdict"] == "cannot_tell"
    assert any("K-3: missing" in r for r in result["reasons"])
    assert "K-3" in capsys.readouterr().out
    assert (
        "K-3,,missing" in table.read_text().replace(str(PHOTO), "").replace(",,,", ",,")
        or "missing" in table.read_text()
    )


def test_a_part_where_none_should_be_is_named(rack, capsys):
    fill, run, file = rack
    text = file.read_text().replace("[20,", "[0,").replace('part = "K-3"', "empty = true")
    file.write_text(text)
    fill(range(5))
    status, result = run("--tray", file)
    assert status == 3
    extra = next(p for p in result["parts"] if p["id"] == "extra 1")
    assert "P3, which should be empty" in extra["reasons"][0]


def test_parts_that_fit_in_two_ways_are_not_named_by_guess(rack, capsys):
    fill, run, file = rack
    file.write_text(file.read_text().replace("[20,", "[0,"))
    fill([1, 2, 3, 4])
    status, result = run("--tray", file)
    assert status == 3 and {p["verdict"] for p in result["parts"]} == {"cannot_tell"}
    assert "more than one way" in " ".join(result["reasons"])


def test_a_tray_file_by_the_card_needs_a_card(rack, capsys):
    fill, run, file = rack
    file.write_text(file.read_text().replace("[tray]", '[tray]\ntop = "card"'))
    fill(range(5))
    status, result = run("--tray", file)
    assert status == 3 and "no card" in " ".join(result["reasons"])


def test_a_bug_in_one_part_is_one_part(rack, capsys):
    fill, run, file = rack
    fill(range(3), [made.pattern(), ZeroDivisionError("made to break"), made.pattern()])
    status, result = run("--setup", file.parent / "good.toml")
    assert status == 3 and [p["verdict"] for p in result["parts"]] == ["pass", "cannot_tell", "pass"]
    words = result["parts"][1]["reasons"][0]
    assert "ZeroDivisionError" in words
    Path(words.rsplit(" ", 1)[1]).unlink()


def test_a_tray_file_is_written_from_a_full_tray_and_fits_it(rack, capsys, tmp_path):
    fill, run, _ = rack
    fill(range(5))
    written = tmp_path / "new.toml"
    assert run("--tray-out", written)[0] == 0
    status, result = run("--tray", written, "--setup", tmp_path / "good.toml")
    assert status == 0 and [p["id"] for p in result["parts"]] == ["A1", "B1", "C1", "D1", "E1"]


def test_one_that_looks_half_as_thick_is_not_judged():
    one = made.outline()
    middle = one.edges_px.mean(axis=0)
    thin = replace(one, edges_px=middle + (one.edges_px - middle) / 2)
    assert unlike([one, one, one, thin])[3].startswith("looks 50 %") and unlike([one, one, one, thin])[0] == ""
    assert unlike([one, thin]) == ["", ""]


def test_an_empty_place_is_found_by_where_the_others_lie():
    layout = [(x, y) for y in (0, 30) for x in (0, 25, 50)]
    turn = np.array([[np.cos(0.2), np.sin(0.2)], [-np.sin(0.2), np.cos(0.2)]])
    at = np.array(layout) @ turn * 7.0 + (300.0, 200.0)
    found = places_px(layout, [(i, at[i]) for i in (0, 1, 3, 5)])
    assert found is not None
    assert found[0] == pytest.approx(at, abs=1e-6)
    assert 0 < found[1] < 25 * 7.0 / 2
    assert places_px(layout, [(0, at[0])]) is None


def test_an_empty_place_is_drawn_with_its_name():
    photo = np.full((400, 600, 3), 90, np.uint8)
    plain = annotate.picture(photo, (), "cannot_tell", ())
    ringed = annotate.picture(photo, (), "cannot_tell", (), None, [annotate.Empty("K-3 missing", (300.0, 200.0), 80.0)])
    rows, columns = np.nonzero((plain != ringed).any(axis=2))
    k = plain.shape[1] / 600
    assert columns.min() > (300 - 90) * k and columns.max() < (300 + 90) * k
    assert columns.max() - columns.min() > 150 * k and rows.max() - rows.min() > 150 * k
