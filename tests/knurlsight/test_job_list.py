"""Job lists, groups of photos, and choosing what to measure."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import made_patterns as made
import pytest
from knurlsight import cli, inspection
from knurlsight.batch.folder import jobs_of, photos_below, scan
from knurlsight.batch.job import Ask
from knurlsight.batch.job_list import read_job_list
from knurlsight.errors import KnurlsightError
from photoscale.words import TwoScalesWord

FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: (made.outline(),))
    monkeypatch.setattr(inspection, "measure_part", lambda *_: made.pattern())
    monkeypatch.setattr(inspection, "scale_cylinder", lambda *_, **__: made.scale())
    for name in ("a_1.jpg", "a_2.jpg", "b_1.jpg"):
        shutil.copyfile(FIXTURES / "diamond_rule.jpg", tmp_path / name)
    (tmp_path / "good.toml").write_text(made.SETUP)
    (tmp_path / "other.toml").write_text(made.SETUP.replace('"1.0 mm"', '"1.3 mm"'))
    return tmp_path


def written(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


CSV = "photo,setup,scale,id\na_1.jpg;a_2.jpg,good.toml,od:20mm,K-1\nb_1.jpg,other.toml,od:20mm,K-2\n"
TOML = """
[[job]]
photo = ["a_1.jpg", "a_2.jpg"]
setup = "good.toml"
scale = "od:20mm"
id = "K-1"
[[job]]
photo = "b_1.jpg"
setup = "other.toml"
scale = "od:20mm"
id = "K-2"
"""


@pytest.mark.parametrize(("name", "text"), [("j.csv", CSV), ("j.csv", "\ufeff" + CSV), ("j.toml", TOML)])
def test_a_list_says_photos_setup_scale_and_id(name, text, bench, capsys):
    path = written(bench, name, text)
    out = bench / "rows.jsonl"
    assert cli.run(["batch", str(path), "--jobs", "1", "--jsonl", str(out)]) == 1
    rows = {r["id"]: r for r in map(json.loads, out.read_text().splitlines())}
    assert {k: r["verdict"] for k, r in rows.items()} == {"K-1": "pass", "K-2": "fail"}
    assert len(rows["K-1"]["photos"]) == 2
    assert rows["K-1"]["request"] != rows["K-2"]["request"]


def test_semicolons_and_tabs_of_spreadsheets(bench):
    for between in (";", "\t"):
        path = written(bench, "j.csv", between.join(["photo", "scale"]) + "\n" + between.join(["a_1.jpg", "card"]))
        assert read_job_list(path, Ask())[0].ask.scale == "card"
    both = written(bench, "j.csv", "photo,scale\na_1.jpg,rule:1mm; od:20.03mm\n")
    assert isinstance(read_job_list(both, Ask())[0].ask.read().word, TwoScalesWord)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("j.csv", "", "name the columns"),
        ("j.csv", "file,setup\na,b\n", "name the columns"),
        ("j.csv", "photo\n", "no job"),
        ("j.csv", "photo,id\na_1.jpg,K\nb_1.jpg,K\n", "id 'K' stands at line 2 already"),
        ("j.csv", "photo,sclae\na_1.jpg,card\n", "nearest is scale"),
        ("j.csv", "photo,setup\na_1.jpg,gone.toml\n", "does not exist"),
        ("j.csv", "photo,scale\na_1.jpg,rule:7furlong\n", "line 2"),
        ("j.csv", "photo\na_1.jpg,b_1.jpg\n", "2 columns"),
        ("j.csv", 'photo\n"a_1.jpg\n', "not CSV"),
        ("j.toml", "[[job]\n", "not TOML"),
        ("j.toml", "photo = 'a'\n", "[[job]]"),
        ("j.toml", "[[job]]\nphoto = 3\n", "text in quotes"),
        ("j.toml", "[[job]]\nid = 'x'\n", "names no photo"),
    ],
)
def test_a_bad_list_says_what_is_wrong(name, text, words, bench):
    with pytest.raises(KnurlsightError) as e:
        read_job_list(written(bench, name, text), Ask())
    assert words in e.value.message


def test_a_list_that_is_not_there_or_not_text(bench):
    with pytest.raises(KnurlsightError, match="cannot be read"):
        read_job_list(bench / "none.csv", Ask())
    (bench / "x.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(KnurlsightError, match="UTF-8"):
        read_job_list(bench / "x.csv", Ask())


def test_a_photo_of_a_list_that_is_not_there_is_a_row(bench, capsys):
    path = written(bench, "j.csv", "photo,setup,scale\nb_1.jpg,good.toml,od:20mm\ngone.jpg,good.toml,od:20mm\n")
    assert cli.run(["batch", str(path), "--jobs", "1"]) == 3
    assert "no such file" in capsys.readouterr().out


# --- folders ---------------------------------------------------------------------------------------------------------


def test_photos_of_one_part_by_their_names(bench):
    (bench / "sub").mkdir()
    for name in ("a_9.jpg", "odd.jpg"):
        shutil.copyfile(bench / "a_1.jpg", bench / "sub" / name)
    jobs = jobs_of(bench, photos_below(bench).photos, Ask(), "{part}_?")
    assert {j.id: [p.name for p in j.photos] for j in jobs} == {
        "a": ["a_1.jpg", "a_2.jpg"],
        "b": ["b_1.jpg"],
        "sub/a": ["a_9.jpg"],
        "sub/odd.jpg": ["odd.jpg"],
    }
    for bad in ("*", "{part}{part}", ""):
        with pytest.raises(KnurlsightError, match="must stand in it once"):
            jobs_of(bench, [], Ask(), bad)


def test_a_group_is_one_row_of_repeats(bench, capsys):
    out = bench / "rows.jsonl"
    words = ["--setup", str(bench / "good.toml"), "--scale", "od:20mm", "--jobs", "1", "--jsonl", str(out)]
    assert cli.run(["batch", str(bench), "--group", "{part}_*", *words]) == 0
    rows = {r["id"]: r for r in map(json.loads, out.read_text().splitlines())}
    assert set(rows) == {"a", "b"} and len(rows["a"]["result"]["photos"]) == 2


def test_only_what_failed_is_judged_again(bench, monkeypatch, capsys):
    first, again = bench / "1.jsonl", bench / "2.jsonl"

    def words(setup, out):
        return [
            "batch",
            str(bench),
            "--setup",
            str(bench / setup),
            "--scale",
            "od:20mm",
            "--jobs",
            "1",
            "--jsonl",
            str(out),
        ]

    monkeypatch.setattr(
        inspection, "measure_part", lambda photo, *_: made.nothing() if photo.name == "b_1.jpg" else made.pattern()
    )
    assert cli.run(words("good.toml", first)) == 3
    assert cli.run([*words("other.toml", again), "--only-failed", str(first)]) == 3
    assert [json.loads(line)["id"] for line in again.read_text().splitlines()] == ["b_1.jpg"]
    assert cli.run([*words("good.toml", bench / "3.jsonl"), "--only-failed", str(bench / "good.toml")]) == 2


def test_ten_thousand_entries_of_which_three_are_photos(tmp_path):
    for i in range(10_000):
        (tmp_path / f"{i}.txt").touch()
    for i in range(3):
        (tmp_path / f"{i}.jpg").touch()
    assert [p.name for p in photos_below(tmp_path).photos] == ["0.jpg", "1.jpg", "2.jpg"]


def test_links_that_run_in_a_circle(tmp_path, capsys):
    (tmp_path / "self.jpg").symlink_to(tmp_path / "self.jpg")
    (tmp_path / "up").symlink_to(tmp_path)
    assert [p.name for p in photos_below(tmp_path).photos] == ["self.jpg"]
    assert cli.run(["batch", str(tmp_path), "--jobs", "1"]) == 3
    assert "self.jpg" in capsys.readouterr().out


def test_a_folder_that_cannot_be_looked_into_is_told(tmp_path, monkeypatch, capsys):
    import os

    shutil.copyfile(FIXTURES / "diamond_rule.jpg", tmp_path / "a.jpg")
    (tmp_path / "locked").mkdir()
    real = os.scandir

    def closed(path):
        if str(path).endswith("locked"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", closed)
    assert scan(tmp_path).closed == ((tmp_path / "locked", "Permission denied"),)
    monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: ())
    assert cli.run(["batch", str(tmp_path), "--jobs", "1"]) == 3
    out = capsys.readouterr().out
    assert "locked" in out and "Permission denied" in out


@pytest.mark.parametrize(
    "words",
    [
        ["FOLDER", "--watch", "--group", "{part}_*"],
        ["FOLDER", "--send"],
        ["FOLDER", "--tray", "t.toml"],
        ["PHOTO", "--watch"],
        ["PHOTO", "--group", "{part}"],
        ["FOLDER", "--summary", "x.doc"],
        ["FOLDER", "--summary", "-"],
        ["FOLDER", "--tiles", "x.gif"],
    ],
)
def test_options_that_do_not_go_together(words, bench, capsys):
    named = {"FOLDER": str(bench), "PHOTO": str(bench / "a_1.jpg")}
    assert cli.run(["batch", *(named.get(w, w) for w in words)]) == 2
    assert capsys.readouterr().err.startswith("error: ")
