"""Writers that are killed, that crowd, and that run out of disk: a tenth of what the bench does."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import made_records
import pytest
from knurlsight.errors import StoreError
from knurlsight.records.photos import Picture
from knurlsight.records.read import entries
from knurlsight.records.store import open_store
from knurlsight.records.verify import verify
from knurlsight.records.write import attach, new_job
from knurlsight.result import json_text, result_of
from record_writers import kill_writers, let_write


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    path = tmp_path_factory.mktemp("template") / "result.json"
    path.write_text(json_text(result_of(made_records.verdicts()["fail"])), encoding="utf-8")
    return path


def test_writers_killed_at_random_moments_leave_a_clean_store(tmp_path, template):
    kills = 20
    done = kill_writers(tmp_path / "store", template, kills=kills, seed=20260302)
    assert done.seen.faults == ()
    assert set(done.said) <= {e.hash for e in done.kept}
    assert len(done.said) >= kills
    assert done.broken == ()
    assert done.strays <= kills  # of the transactions that the kills cut short, no more
    assert len(list((tmp_path / "store" / "photos" / "incoming").iterdir())) <= kills
    with open_store(tmp_path / "store") as store:
        new_job(store, "after")


def test_eight_writers_lose_nothing(tmp_path, template):
    done = let_write(tmp_path / "store", template, writers=8, each=25)
    assert set(done.said) == {e.hash for e in done.kept}
    assert len(done.kept) == 200
    assert done.seen.faults == ()
    assert done.strays == 0


def test_a_full_disk_is_said_and_costs_nothing_that_was_kept(tmp_path, template):
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = (
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(folder)], capture_output=True, text=True, check=False
        )
        if sys.platform == "linux"
        else None
    )
    if mounted is None or mounted.returncode != 0:
        pytest.skip("no small disk can be mounted here: that takes Linux and the rights of root")
    try:
        fill(folder / "store", template)
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(place: Path, template: Path) -> None:
    """Attach until the disk is full, by photos of every size, then see what is left."""
    result = json.loads(template.read_text(encoding="utf-8"))
    kept, full = [], 0
    with open_store(place, create=True) as store:
        new_job(store, "1")
        for number, size in enumerate([200_000] * 14 + [20_000] * 12 + [10] * 60):
            photo = Picture("part.jpg", number.to_bytes(4, "big") + bytes(size))
            named = {**result, "photos": [{**result["photos"][0], "sha256": photo.sha256}]}
            try:
                kept.append(attach(store, "1", named, [photo]).hash)
            except StoreError as e:
                assert "disk is full" in e.message
                full += 1
        assert full > 0
        assert len(kept) > 0
        assert [e.hash for e in entries(store, "1")[1:]] == kept
        assert list((store.photos / "incoming").iterdir()) == []
    with open_store(place) as store:
        assert verify(store).faults == ()
        assert [e.hash for e in entries(store, "1")[1:]] == kept


def test_a_database_that_may_not_grow_is_told_as_a_full_disk(tmp_path, template):
    with open_store(tmp_path / "store", create=True) as store:
        new_job(store, "1")
        with store.reading() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            connection.exec_driver_sql(f"PRAGMA max_page_count = {pages + 3}")
        result = json.loads(template.read_text(encoding="utf-8"))
        kept = 0
        with pytest.raises(StoreError, match="disk is full"):
            for number in range(20):
                photo = Picture("part.jpg", bytes([number] * 100))
                named = {**result, "photos": [{**result["photos"][0], "sha256": photo.sha256}]}
                attach(store, "1", named, [photo])
                kept += 1
        assert len(entries(store, "1")) == 1 + kept
        assert verify(store).faults == ()
