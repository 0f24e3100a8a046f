"""What a worker makes of photos, good and bad; what the page says of it; this part beside the last."""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import replace
from pathlib import Path

import made_patterns as made
import pytest
from knurlsight import inspection
from knurlsight.bench.compare import differences
from knurlsight.bench.measuring import Answered, Refusal, Task, answer_folder, measure_photos
from knurlsight.bench.submissions import MOST_PIXELS
from knurlsight.bench.verdict_view import shoot_again, view_of
from knurlsight.exchange.picture_note import read_note
from knurlsight.joining import turns
from knurlsight.joining.closure import Step

FIXTURES = Path(__file__).parents[2] / "fixtures"
NAME = "IMG 7.jpg"


def task(folder: Path, data: bytes, **changes) -> Task:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "photo-1.jpg").write_bytes(data)
    given = {"setup_text": "", "scale": "", "units": "mm", **changes}
    return Task(folder, ("photo-1.jpg",), (NAME,), **given)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    setup = (FIXTURES / "diamond_unequal.toml").read_text(encoding="utf-8")
    folder = tmp_path_factory.mktemp("measured")
    photo = (FIXTURES / "diamond_unequal.jpg").read_bytes()
    answer = measure_photos(task(folder, photo, setup_text=setup, scale="card:10mm", units="in"))
    return answer, answer_folder(folder)


def test_a_real_photo_gives_every_file_of_an_answer(measured):
    answer, files = measured
    assert isinstance(answer, Answered) and answer.verdict == "fail"  # left family 0.56 as deep: fixtures/README.md
    assert "balance" in answer.why and answer.part == "diamond unequal (invented)"
    names = ["picture.jpg", "report.html", "report.pdf", "result.json", "thumb.jpg", "view.json"]
    assert sorted(p.name for p in files.iterdir()) == names
    result = json.loads((files / "result.json").read_text(encoding="utf-8"))
    assert result["photos"][0]["file"] == NAME
    assert (files / "report.pdf").read_bytes().startswith(b"%PDF")
    assert str(files.parent) not in (files / "report.html").read_text(encoding="utf-8")


def test_the_picture_says_by_itself_what_it_is(measured):
    note = read_note((measured[1] / "picture.jpg").read_bytes(), "picture.jpg")
    assert note.verdict == "fail" and "diamond unequal" in note.title


def test_the_view_has_words_in_both_units(measured):
    view = json.loads((measured[1] / "view.json").read_text(encoding="utf-8"))
    assert view["verdict"] == "fail" and view["seen_deg"] == "120" and view["again"] == []
    pitches = {u: next(c for c in view[u]["parts"][0]["checks"] if "normal pitch" in c["name"]) for u in ("mm", "in")}
    assert " mm" in pitches["mm"]["measured"] and " in" in pitches["in"]["measured"]
    verdicts = [c["verdict"] for c in view["mm"]["parts"][0]["checks"]]
    assert verdicts == sorted(verdicts, key=["fail", "cannot_tell", "pass"].index)  # what decides comes first


def png(width: int, height: int) -> bytes:
    """A PNG that unfolds into far more than it weighs."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    row = b"\0" + bytes((width + 7) // 8)
    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(row * height, 9))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"GIF89a not a picture", "not a photo"),
        ((FIXTURES / "diamond_rule.jpg").read_bytes()[:9000], "damaged"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "not a photo"),
        (png(9000, 9000), f"more than the {MOST_PIXELS // 1_000_000} million"),
        (png(40_000, 40_000), "million"),
        (png(20, 20), "px"),
    ],
)
def test_photos_that_cannot_be_measured_are_told_by_their_own_name(tmp_path, data, words):
    answer = measure_photos(task(tmp_path / "x", data))
    assert isinstance(answer, Refusal) and words in answer.trouble
    assert answer.trouble.startswith(NAME) and str(tmp_path) not in answer.trouble
    assert not answer_folder(tmp_path / "x").exists()


def test_a_bug_is_told_as_one(tmp_path, monkeypatch):

    monkeypatch.setattr(inspection, "inspect_part", lambda *a: 1 / 0)
    answer = measure_photos(task(tmp_path / "x", (FIXTURES / "diamond_rule.jpg").read_bytes()))
    assert isinstance(answer, Refusal) and "a bug in knurlsight (ZeroDivisionError)" in answer.trouble


def test_how_to_shoot_again():
    assert shoot_again(made.inspected(made.pattern())) == ()
    assert shoot_again(made.inspected(made.nothing()))[:2] == ("focus", "light")
    assert "scale" in shoot_again(made.inspected(made.pattern(), no_scale="no scale in the photo"))


def test_nothing_judged_says_no_word_of_the_command_line():
    view = view_of(made.inspected(made.pattern(), None))
    assert view["verdict"] == "none" and view["mm"]["why"] == []


def result_with(pitch: float, u: float, **more):
    q = {"value": pitch, "u": u, "unit": "mm"}
    family = dict.fromkeys(("transverse_pitch", "axial_pitch", "helix_angle", "fill")) | {
        "hand": "right",
        "normal_pitch": q,
    }
    part = dict.fromkeys(("included_angle", "balance", "outside_diameter", "knurled_length", "full_form_length"))
    return {"parts": [{**part, **more, "families": [family]}]}


@pytest.mark.parametrize(("now", "differs"), [(1.02, False), (1.0299, True), (0.97, True), (1.0, False)])
def test_a_figure_differs_by_more_than_the_uncertainty_of_the_difference(now, differs):
    # u of the difference: sqrt(0.01^2 + 0.01^2) = 0.0141 (JCGM 100, 5.1.2); twice that is 0.0283
    (row,) = differences(result_with(1.0, 0.01), result_with(now, 0.01), "mm")
    assert (row.name, row.differs) == ("normal pitch, right", differs)


def test_only_figures_of_both_are_compared():
    assert differences({"parts": []}, result_with(1, 0.1), "mm") == ()
    with_balance = result_with(1, 0.01, balance={"value": 0.9, "u": 0.05, "unit": ""})
    assert len(differences(with_balance, result_with(1, 0.01), "mm")) == 1
    (row,) = differences(result_with(25.4, 0.01), result_with(25.4, 0.01), "in")
    assert "in" in row.now and not row.differs


def test_photos_of_a_part_turned_are_measured_as_one_set(tmp_path, monkeypatch):
    asked = []

    def joined(photos, step, setup, scale):
        asked.append(([p.name for p in photos], step))
        return inspection.inspect_part(photos[:1], setup, scale)

    monkeypatch.setattr(turns, "inspect_turned", joined)
    photo = (FIXTURES / "diamond_unequal.jpg").read_bytes()
    one = task(tmp_path / "set", photo, scale="card:10mm")
    both = replace(one, photos=("photo-1.jpg", "photo-1.jpg"), named=("a.jpg", "b.jpg"), turned="60+-0.5deg")
    assert isinstance(measure_photos(both), Answered)
    assert asked == [(["a.jpg", "b.jpg"], Step(60.0, 0.5))]
    assert isinstance(measure_photos(replace(one, turned="60deg")), Answered)  # the first of a set stands alone
    assert len(asked) == 1
