"""A batch that keeps its parts with a job: each once, also when the same command runs again."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from knurlsight.cli import run
from knurlsight.records.read import entries
from knurlsight.records.store import open_store

FIXTURES = Path(__file__).parents[2] / "fixtures"


def test_a_folder_is_kept_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photos, store, rows = tmp_path / "photos", str(tmp_path / "store"), tmp_path / "rows.jsonl"
    photos.mkdir()
    shutil.copy(FIXTURES / "diamond_rule.jpg", photos)
    assert run(["job", "new", "7", "--part", "knob (invented)", "--store", store]) == 0
    command = ["batch", str(photos), "--jsonl", str(rows), "--jobs", "1", "--job", "7", "--store", store]
    for _ in range(2):
        run(command)
    with open_store(store) as opened:
        kept = [entry for entry in entries(opened, "7") if entry.kind == "inspection"]
    assert len(kept) == 1
    capsys.readouterr()


def test_rows_are_not_kept_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = str(tmp_path / "store")
    run(["job", "new", "7", "--store", store])
    rows = tmp_path / "rows.jsonl"
    rows.write_text("")
    assert run(["batch", str(rows), "--job", "7", "--store", store]) == 2
    assert "summed up" in capsys.readouterr().err


def test_a_job_that_is_not_there_stops_the_batch_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = str(tmp_path / "store")
    run(["job", "new", "7", "--store", store])
    assert run(["batch", str(FIXTURES), "--job", "8", "--store", store]) == 2
    assert "8" in capsys.readouterr().err
