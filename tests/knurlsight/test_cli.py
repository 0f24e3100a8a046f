"""The command line, called in-process: help, exit statuses, outputs, errors as one line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import made_patterns as made
import pytest
from knurlsight import cli, inspection, result
from photoscale.errors import ScaleNotFound

FIXTURES = Path(__file__).parents[2] / "fixtures"
PHOTO = FIXTURES / "diamond_rule.jpg"


@pytest.fixture
def measures(monkeypatch):
    """Replaces the measuring by a made pattern; the scale is whatever the words say."""

    def use(pattern, parts: int = 1):
        monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: tuple(made.outline() for _ in range(parts)))
        monkeypatch.setattr(inspection, "measure_part", lambda *_: pattern)
        monkeypatch.setattr(inspection, "scale_cylinder", lambda *_, **__: made.scale())

    return use


@pytest.fixture
def setup_file(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(made.SETUP)
    return path


BAD = (made.family("right", 1.2), made.family("left"))
VAGUE = (made.family("right", u_rel=0.05), made.family("left"))


@pytest.mark.parametrize(
    ("pattern", "judged", "status"),
    [
        (made.pattern(), True, 0),
        (made.pattern(families=BAD), True, 1),
        (made.pattern(families=VAGUE), True, 3),
        (made.nothing(), True, 3),
        (made.pattern(families=BAD), False, 0),
        (made.nothing(), False, 3),
    ],
)
def test_exit_status_and_result_file_agree(pattern, judged, status, measures, setup_file, tmp_path, capsys):
    measures(pattern)
    out = tmp_path / "r.json"
    words = ["--setup", str(setup_file)] if judged else []
    assert cli.run(["inspect", str(PHOTO), "--scale", "od:20mm", "--json", str(out), *words]) == status
    written = json.loads(out.read_text())
    jsonschema.Draft202012Validator(result.shipped_schema()).validate(written)
    of_verdict = {"pass": 0, "fail": 1, "cannot_tell": 3, None: 0}
    assert of_verdict[written["verdict"]] == status
    assert written["verdict"] == written["parts"][0]["verdict"]
    captured = capsys.readouterr()
    assert captured.out and "Traceback" not in captured.err
    assert f"written: {out}" in captured.err


def test_outputs_are_written_for_a_photo_without_a_part(monkeypatch, setup_file, tmp_path, capsys):
    monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: ())
    outputs = {"--json": tmp_path / "r.json", "--report": tmp_path / "r.html", "--picture": tmp_path / "r.jpg"}
    words = [w for pair in outputs.items() for w in map(str, pair)]
    assert cli.run(["inspect", str(PHOTO), "--setup", str(setup_file), "--scale", "od:20mm", *words]) == 3
    assert all(path.stat().st_size > 0 for path in outputs.values())
    written = json.loads((tmp_path / "r.json").read_text())
    assert written["verdict"] == "cannot_tell" and written["parts"] == [] and written["reasons"]


def test_json_to_standard_output_is_alone_there(measures, setup_file, capsys):
    measures(made.pattern())
    assert cli.run(["inspect", str(PHOTO), "--setup", str(setup_file), "--scale", "od:20mm", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "pass"


def test_a_scale_that_is_not_found_leaves_what_needs_none(measures, monkeypatch, setup_file, tmp_path, capsys):
    measures(made.pattern())

    def absent(*_):
        raise ScaleNotFound("no card is in the photo", "show the whole card")

    monkeypatch.setattr(inspection, "find_scale", absent)
    out = tmp_path / "r.json"
    words = ["--setup", str(setup_file), "--scale", "card", "--json", str(out)]
    assert cli.run(["inspect", str(PHOTO), *words]) == 3
    written = json.loads(out.read_text())
    assert written["scale"] is None
    assert written["parts"][0]["form"] == "RGE"
    verdicts = {c["name"]: c["verdict"] for c in written["parts"][0]["checks"]}
    assert verdicts["helix of the right-hand family"] == "pass"
    assert verdicts["normal pitch of the right-hand family"] == "cannot_tell"
    assert any("show the whole card" in r for r in written["reasons"])


def test_a_measured_camera_distance_reaches_the_scene(measures, monkeypatch, capsys):
    measures(made.pattern())
    given = []
    monkeypatch.setattr(
        inspection, "scale_cylinder", lambda *_, camera_distance: given.append(camera_distance) or made.scale()
    )
    for words in ("300mm", "300+-2mm", "12in"):
        assert cli.run(["inspect", str(PHOTO), "--scale", "od:20mm", "--camera-distance", words]) == 0
    assert [(round(q.value, 3), q.u) for q in given] == [(300.0, 5.0), (300.0, 2.0), (304.8, 5.0)]


def test_several_photos_are_repeats_of_one_part(measures, setup_file, tmp_path, capsys):
    measures(made.pattern())
    other = FIXTURES / "diamond_card.jpg"
    out = tmp_path / "r.json"
    words = ["--setup", str(setup_file), "--scale", "od:20mm", "--json", str(out)]
    assert cli.run(["inspect", str(PHOTO), str(other), *words]) == 0
    written = json.loads(out.read_text())
    assert [p["file"] for p in written["photos"]] == [PHOTO.name, other.name]
    assert len(written["parts"]) == 1
    assert any("means of 2 photos" in n for n in written["notes"])


def test_a_scale_photo_of_another_size_is_refused(measures, capsys):
    measures(made.pattern())
    words = ["--scale", "card", "--scale-photo", str(FIXTURES / "diamond_card.jpg")]
    assert cli.run(["inspect", str(PHOTO), *words]) == 2
    assert "same camera" in capsys.readouterr().err


def test_inches_on_the_screen_but_never_in_the_result_file(measures, tmp_path, capsys):
    measures(made.pattern())
    out = tmp_path / "r.json"
    assert cli.run(["inspect", str(PHOTO), "--scale", "od:20mm", "--units", "in", "--json", str(out)]) == 0
    assert "0.03937 ± 0.00024 in" in capsys.readouterr().out
    assert json.loads(out.read_text())["parts"][0]["families"][0]["normal_pitch"]["unit"] == "mm"


# --- help and errors -------------------------------------------------------------------------------------------------


def test_help_groups_the_commands_by_where_they_are_used(capsys):
    assert cli.run(["--help"]) == 0
    text = capsys.readouterr().out
    assert text.index("At the bench") < text.index("inspect") < text.index("In the office") < text.index("causes")
    assert "Exit status: 0 pass" in text
    assert all(f"\n  {name} " in text for names in cli.GROUPS.values() for name in names)


@pytest.mark.parametrize("name", [name for names in cli.GROUPS.values() for name in names])
def test_every_command_shown_exists_and_has_a_help_of_its_own(name, capsys):
    assert cli.run([name, "--help"]) == 0
    assert f"Usage: knurlsight {name}" in capsys.readouterr().out


def test_help_needs_none_of_the_heavy_libraries():
    code = (
        "import sys; from knurlsight import cli; cli.run(['--help']); "
        "bad = {'numpy', 'cv2', 'scipy', 'PIL', 'pydantic', 'jinja2', 'GTC', 'rich'} & set(sys.modules); "
        "sys.exit(f'imported: {bad}' if bad else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_no_arguments_shows_the_help(capsys):
    assert cli.run([]) == 2
    assert "At the bench" in capsys.readouterr().out


def test_version(capsys):
    assert cli.run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("knurlsight ")


@pytest.mark.parametrize(
    "words",
    [
        ["inspekt", str(PHOTO)],
        ["inspect"],
        ["inspect", str(PHOTO), "--scal", "card"],
        ["inspect", str(PHOTO), "--units", "cubits"],
        ["causes", "bad_weather"],
    ],
)
def test_a_wrong_command_is_one_line_and_a_hint(words, capsys):
    assert cli.run(words) == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith("error: ") and lines[-1].startswith("hint: ") and len(lines) == 2


def test_a_bug_of_ours_writes_its_details_to_a_file(measures, monkeypatch, capsys):
    measures(made.pattern())

    def breaks(*_):
        raise ZeroDivisionError("made to break")

    monkeypatch.setattr(inspection, "measure_part", breaks)
    assert cli.run(["inspect", str(PHOTO), "--scale", "od:20mm"]) == 4
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2 and "a bug in knurlsight (ZeroDivisionError)" in lines[0]
    details = Path(lines[0].rsplit(" ", 1)[1])
    assert "made to break" in details.read_text()
    details.unlink()


def test_interrupted(monkeypatch, capsys):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(inspection, "find_parts", stopped)
    assert cli.run(["inspect", str(PHOTO)]) == 130


def test_a_reader_that_hangs_up_does_not_change_the_verdict(setup_file):
    code = (
        "import sys, made_patterns as m; from knurlsight import cli, inspection as i; "
        "i.find_parts = lambda *a, **k: (m.outline(),); i.measure_part = lambda *a: m.pattern(); "
        "i.scale_cylinder = lambda *a, **k: m.scale(); sys.exit(cli.run(sys.argv[1:]))"
    )
    words = ["inspect", str(PHOTO), "--setup", str(setup_file), "--scale", "od:20mm"]
    env = {**os.environ, "PYTHONPATH": str(FIXTURES)}
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-c", code, *words], stdout=write, stderr=subprocess.PIPE, env=env, check=False
    )
    os.close(write)
    assert done.returncode == 0 and b"Traceback" not in done.stderr


def test_causes_prints_the_table(capsys):
    assert cli.run(["causes"]) == 0
    text = capsys.readouterr().out
    assert "double tracking  [double_tracking]" in text and "common practice" in text
    assert max(map(len, text.splitlines())) <= 110
    assert cli.run(["causes", "leaning", "--json", "-"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert [r["kind"] for r in rows] == ["leaning"]


@pytest.mark.parametrize(("name", "start"), [("c.pdf", b"%PDF"), ("c.svg", b"<svg"), ("c.png", b"\x89PNG")])
def test_card_writes_the_card_to_print(name, start, tmp_path, capsys):
    assert cli.run(["card", str(tmp_path / name), "--paper", "letter"]) == 0
    assert (tmp_path / name).read_bytes().startswith(start)


def test_card_in_an_unknown_format_or_on_unknown_paper(tmp_path, capsys):
    assert cli.run(["card", str(tmp_path / "c.doc")]) == 2
    assert cli.run(["card", str(tmp_path / "c.pdf"), "--paper", "foolscap"]) == 2
    assert list(tmp_path.iterdir()) == []


def test_a_rig_is_made_checked_listed_used_and_deleted(measures, monkeypatch, tmp_path, capsys):
    import cv2
    import numpy as np
    from photoscale.card import card_board

    # five views of a card drawn flat, then turned about several axes before a camera of 2000 px focal length
    monkeypatch.setenv("PHOTOSCALE_RIGS", str(tmp_path / "rigs"))
    board = cv2.copyMakeBorder(card_board().generateImage((800, 500)), 50, 50, 50, 50, cv2.BORDER_CONSTANT, value=255)
    k = np.array([[2000.0, 0, 799.5], [0, 2000.0, 599.5], [0, 0, 1]])
    flat = np.array([[0, 0], [90, 0], [90, 60], [0, 60]], np.float64)
    corners = np.array([[0, 0], [899, 0], [899, 599], [0, 599]], np.float32)
    photos = []
    turns = [(0, 0, 0), (0.5, 0, 0.1), (-0.5, 0.1, 0), (0, 0.5, 0.2), (0.1, -0.5, 0), (0.35, 0.35, 0.3)]
    for i, turn in enumerate(turns):
        rotation = cv2.Rodrigues(np.array(turn, np.float64))[0]
        world = np.column_stack([flat - [45, 30], np.zeros(4)]) @ rotation.T + [0, 0, 150.0]
        seen = (world @ k.T)[:, :2] / (world @ k.T)[:, 2:]
        warp = cv2.getPerspectiveTransform(corners, seen.astype(np.float32))
        photo = tmp_path / f"card{i}.png"
        cv2.imwrite(str(photo), cv2.warpPerspective(board, warp, (1600, 1200), borderValue=128))
        photos.append(str(photo))
    assert cli.run(["rig", "make", "stand", *photos, "--card", "card:10.00mm"]) == 0
    assert "rig stand" in capsys.readouterr().out
    assert cli.run(["rig", "check", "stand", photos[0], "--card", "card:10.00mm"]) == 0
    assert cli.run(["rig", "check", "stand", photos[1], "--card", "card:10.00mm"]) == 1
    assert cli.run(["rig", "list"]) == 0
    assert "stand" in capsys.readouterr().out
    measures(made.pattern())
    assert cli.run(["inspect", photos[0], "--scale", "rig:stand"]) == 0
    assert cli.run(["inspect", str(PHOTO), "--scale", "rig:other"]) == 2
    assert cli.run(["rig", "make", "few", photos[0]]) == 2
    assert cli.run(["rig", "make", "none", str(PHOTO)]) == 2
    assert cli.run(["rig", "delete", "stand"]) == 0
    assert cli.run(["rig", "delete", "stand"]) == 2
