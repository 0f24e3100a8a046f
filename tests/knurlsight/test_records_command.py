"""`knurlsight job …` and `inspect --job`, from the command line."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import cv2
import made_records
import numpy as np
import pytest
from knurlsight.cli import run
from knurlsight.commands import inspect_command
from knurlsight.records.read import entries, photo
from knurlsight.records.store import open_store
from knurlsight.result import json_text, result_of
from knurlsight.setup_math.setup import read_setup
from photoscale.errors import PhotoError

FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.fixture(autouse=True)
def folder(monkeypatch, tmp_path):
    monkeypatch.setenv("KNURLSIGHT_STORE", str(tmp_path / "store"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def job(capsys):
    """Runs a job command that is to succeed; gives what it printed."""

    def ask(*words: str, status: int = 0) -> str:
        got = run(["job", *words])
        said = capsys.readouterr()
        assert got == status, said.err
        return said.out if status in (0, 1) else said.err

    return ask


def files(folder: Path, inspection, name: str) -> tuple[str, str]:
    """A photo and a result file that names it."""
    image = made_records.jpeg(seed=ord(name[0]))
    (folder / f"{name}.jpg").write_bytes(image)
    result = json.loads(json_text(result_of(inspection)))
    result["photos"] = [{**result["photos"][0], "file": f"{name}.jpg", "sha256": hashlib.sha256(image).hexdigest()}]
    (folder / f"{name}.json").write_text(json.dumps(result), encoding="utf-8")
    return f"{name}.jpg", f"{name}.json"


def test_a_job_from_first_to_last(job, folder):
    process = '[process]\ndial_infeed = "{}"\n'
    shallow = files(folder, made_records.cut(0.55, process=process.format("0.2 mm")), "a")
    deeper = files(folder, made_records.cut(0.85, process=process.format("0.3 mm")), "b")
    assert "entry 1: opened, knob" in job("new", "2041", "--part", "knob", "--quantity", "40", "--due", "2026-12-01")
    job("op", "2041", "30", "--machine", "small lathe", "--setup", str(FIXTURES / "diamond_rule.toml"))
    job("attach", "2041", *shallow, "--op", "30", "--record", "serial=1", "--record", "rolled=W1:340")
    job("attach", "2041", *deeper, "--op", "30", "--record", "serial=2", "--note", "chips brushed off")
    job("note", "2041", "burr at end 2", "--about", "4")
    job("dispose", "2041", "concession", "--about", "4", "--why", "only looks count", "--who", "the foreman")
    job("correct", "2041", "1", "--set", "quantity=50", "--why", "customer raised it")
    job("wheel", "W1", "--diameter", "15.02mm", "--teeth", "47", "--rolled", "12")
    shown = job("show", "2041")
    assert "quantity: 50" in shown
    assert "operation 30, small lathe: setup diamond rule (invented)" in shown
    assert "since entry 3: [process] dial_infeed 0.2 mm → 0.3 mm" in shown
    assert "form fill 0.55 ± 0.04 → 0.85 ± 0.04" in shown
    assert "wheel W1 had rolled 340" in shown
    assert "corrected by entry 7" in shown
    assert "the foreman" in shown
    assert "2041" in job("list")
    assert "burr at end 2" in job("find", "burr")
    assert "diameter 15.02 mm" in job("wheel", "W1")
    assert "1 inspections with this wheel" in job("wheel", "W1")
    assert "1 concession" in job("stats")
    said = job("verify", "2041")
    assert "all is as it was written" in said
    head = said.split()[-1]
    assert "all is as it was written" in job("verify", "2041", "--head", head)
    assert "cut off" in job("verify", "2041", "--head", "0" * 64, status=1)
    job("backup", "copy")
    job("backup", "copy")  # again over the first
    assert job("show", "2041", "--store", "copy") == job("show", "2041")
    assert "all is as it was written" in job("verify", "--store", "copy")


def test_steps_tell_when_nothing_clear_came_of_it(job, folder):
    job("new", "1")
    job("attach", "1", *files(folder, made_records.cut(0.80), "a"), "--record", "dial=0.2mm")
    job("attach", "1", *files(folder, made_records.cut(0.82), "b"), "--record", "dial=0.25mm")
    shown = job("show", "1")
    assert "dial readings 0.2 mm → 0.25 mm" in shown
    assert "changed by more than its uncertainty" in shown


def test_inspect_keeps_what_it_found(job, folder, capsys):
    shutil.copy(FIXTURES / "diamond_rule.jpg", folder / "part.jpg")
    job("new", "2041")
    ask = ["inspect", "part.jpg", "--setup", str(FIXTURES / "diamond_rule.toml"), "--scale", "rule:1mm"]
    status = run([*ask, "--job", "2041", "--op", "30", "--record", "place=first-off", "--json", "out.json"])
    said = capsys.readouterr()
    with open_store() as store:
        kept = entries(store, "2041")[1]
        assert inspect_command.EXIT_STATUS[kept.verdict] == status
        assert f"kept: job 2041 entry 2, {kept.hash[:12]}" in said.err
        assert kept.body["result"] == json.loads(Path("out.json").read_text())
        assert (kept.op, kept.body["bench"]) == ("30", {"place": "first-off"})
        original, drawn = (photo(store, p["sha256"]).read_bytes() for p in kept.body["photos"])
    assert original == Path("part.jpg").read_bytes()
    assert cv2.imdecode(np.frombuffer(drawn, np.uint8), cv2.IMREAD_COLOR) is not None
    assert "all is as it was written" in job("verify")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--job", "999"], "no job 999"),
        (["--op", "30"], "--job"),
        (["--job", "../1"], "job number"),
        (["--job", "1", "--record", "colour=red"], "unknown; known here: serial"),
        (["--job", "1", "--record", "serial"], "no key=value"),
        (["--job", "1", "--record", "place=somewhere"], "none of 'first-off'"),
        (["--job", "1", "--record", "rolled=340"], "rolled=W1:340"),
        (["--job", "1", "--record", "blank_diameter=wide"], "not a length"),
        (["--job", "1", "--who", "a\nb"], "one line"),
    ],
)
def test_inspect_refuses_before_it_measures(job, capsys, monkeypatch, words, said):
    job("new", "1")
    monkeypatch.setattr(inspect_command, "run_inspection", lambda *_: pytest.fail("it measured"))
    assert run(["inspect", str(FIXTURES / "diamond_rule.jpg"), *words]) == 2
    assert said in capsys.readouterr().err


def test_a_result_file_of_a_stranger_is_refused_in_one_line(job, folder):
    job("new", "1")
    image, result = files(folder, made_records.verdicts()["pass"], "a")
    good = json.loads(Path(result).read_text())
    odd = {
        "missing.json": None,
        "empty.json": "",
        "text.json": "hello",
        "list.json": "[]",
        "deep.json": "[" * 100_000,
        "nan.json": json.dumps({**good, "verdict": float("nan")}),
        "keys.json": json.dumps({**good, "extra": 1}),
        "version.json": json.dumps({**good, "schema_version": 2}),
        "setup.json": json.dumps({**good, "setup": {"content_hash": "x", "content": {"wheel": 5}}}),
        "other.json": json.dumps({**good, "photos": []}),
    }
    for name, text in odd.items():
        if text is not None:
            Path(name).write_text(text, encoding="utf-8")
        said = job("attach", "1", image, name, status=2)
        assert said.startswith("error: ")
        assert said.count("error: ") == 1
        assert "Traceback" not in said
    job("attach", "1", result, status=2)
    job("attach", "1", "nowhere.jpg", result, status=2)
    job("attach", "1", image, image, status=2)
    assert "all is as it was written" in job("verify")
    assert "1 entries, 0 photos" in job("verify")


def test_what_cannot_be_is_refused(job, folder):
    job("new", "1")
    Path("taken").write_text("x")
    Path("full").mkdir()
    (Path("full") / "x").write_text("x")
    for words in (
        ["new", "1"],
        ["new", "../2"],
        ["new", "2\n3"],
        ["new", "'; DROP TABLE entry; --"],
        ["new", "x" * 10_000],
        ["new", "2", "--quantity", "0"],
        ["new", "2", "--due", "tomorrow"],
        ["new", "2", "--part", "x" * 201],
        ["show", "2"],
        ["note", "1", ""],
        ["note", "1", "x", "--about", "99"],
        ["dispose", "1", "burn"],
        ["dispose", "1", "scrap"],
        ["correct", "1", "1", "--why", "x"],
        ["correct", "1", "1", "--set", "quantity=many", "--why", "x"],
        ["find", "--verdict", "good"],
        ["find", "--since", "yesterday"],
        ["find", "---"],
        ["wheel", "W9"],
        ["wheel", "W9", "--teeth", "-1"],
        ["verify", "2"],
        ["verify", "--head", "ab" * 32],
        ["backup", "taken"],
        ["backup", "full"],
        ["backup", str(folder / "store")],
    ):
        said = job(*words, status=2)
        assert said.startswith("error: "), words
        assert max(map(len, said.splitlines())) < 400, words
    assert "1 jobs, 1 entries" in job("verify")
    assert not Path("2").exists()


def test_a_wrong_first_job_leaves_no_store_behind(job, folder):
    job("new", "../1", status=2)
    job("new", "1", "--due", "soon", status=2)
    assert not (folder / "store").exists()


def test_an_operation_keeps_the_setup_to_inspect_with(job, folder, monkeypatch, capsys):
    job("new", "2041")
    job("op", "2041", "30", "--setup", str(FIXTURES / "diamond_rule.toml"))
    given = []

    def measured(photos, wanted, *_):
        given.append(wanted)
        raise PhotoError("stopped here", "")

    monkeypatch.setattr(inspect_command, "run_inspection", measured)
    (folder / "a.jpg").write_bytes(made_records.jpeg(seed=1))
    run(["inspect", "a.jpg", "--job", "2041", "--op", "30"])
    assert "setup: as kept with job 2041, operation 30" in capsys.readouterr().err
    run(["inspect", "a.jpg", "--job", "2041", "--op", "30", "--setup", str(FIXTURES / "straight_knob.toml")])
    assert "as kept" not in capsys.readouterr().err
    run(["inspect", "a.jpg", "--job", "2041"])
    assert given == [read_setup(FIXTURES / "diamond_rule.toml"), read_setup(FIXTURES / "straight_knob.toml"), None]
