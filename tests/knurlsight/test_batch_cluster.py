"""Photos that arrive, workers that die, and a real cluster on this machine."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from knurlsight import cli
from knurlsight.batch import run as batch_run
from knurlsight.batch.cluster import ClusterPool, checked_address
from knurlsight.batch.job import Ask, Job, Row, inspect_job
from knurlsight.batch.progress import Progress, duration
from knurlsight.batch.rows import Done, RowFile, read_done
from knurlsight.batch.run import run_jobs
from knurlsight.batch.watch import arriving
from knurlsight.batch.workers import LocalPool
from knurlsight.errors import KnurlsightError, OutputError
from PIL import Image


def photos(folder: Path, count: int) -> list[Path]:
    """Small photos without a part, so that only the machinery takes time."""
    folder.mkdir(exist_ok=True)
    paths = [folder / f"{i:02}.png" for i in range(count)]
    for i, path in enumerate(paths):
        Image.fromarray(np.full((120, 160), 60 + 5 * i, np.uint8)).save(path)
    return paths


def jobs(paths: list[Path]) -> list[Job]:
    return [Job(path.name, (path,), Ask(scale="od:20mm")) for path in paths]


# --- workers that die ------------------------------------------------------------------------------------------------


def deadly(job: Job, sent: tuple[bytes, ...] = ()) -> Row:
    """Ends its worker at one photo always, at another once."""
    mark = job.photos[0].with_suffix(".once")
    if job.id == "03.png" or (job.id == "05.png" and not mark.exists()):
        mark.touch()
        os._exit(9)
    return inspect_job(job, sent)


def test_a_worker_that_dies_costs_the_photo_that_it_dies_of(tmp_path, monkeypatch):
    monkeypatch.setattr(batch_run, "inspect_job", deadly)
    with LocalPool(2) as pool:
        rows = [row for row, _ in run_jobs(jobs(photos(tmp_path, 8)), pool)]
    assert sorted(row.id for row in rows) == [f"{i:02}.png" for i in range(8)]
    bad = {row.id: row for row in rows if row.verdict == "unreadable"}
    assert set(bad) == {"03.png"} and "ended from outside" in bad["03.png"].error
    # it may have been the memory of that day: another run tries it again
    assert Done({"03.png": bad["03.png"]}).row(jobs([tmp_path / "03.png"])[0]) is None


def test_no_more_photos_are_taken_than_workers_need(tmp_path):
    taken = []

    def slowly():
        for job in jobs(photos(tmp_path, 12)):
            taken.append(job.id)
            yield job

    with LocalPool(1) as pool:
        rows = run_jobs(slowly(), pool)
        next(rows)
        assert len(taken) <= batch_run.AHEAD
        assert len(list(rows)) == 11


def test_a_photo_that_disappears_is_a_row(tmp_path):
    paths = photos(tmp_path, 3)
    made = jobs(paths)
    paths[1].unlink()
    with LocalPool(1) as pool:
        rows = {row.id: row for row, _ in run_jobs(made, pool)}
        sent = {row.id: row for row, _ in run_jobs(made, pool, send=True)}
    for found in (rows, sent):
        assert found["01.png"].verdict == "unreadable" and found["02.png"].verdict == "cannot_tell"


# --- rows ------------------------------------------------------------------------------------------------------------


def test_a_photo_that_changed_is_measured_again_and_one_that_was_only_touched_is_not(tmp_path):
    paths = photos(tmp_path, 2)
    first, second = (inspect_job(job) for job in jobs(paths))
    done = Done({first.id: first, second.id: second})
    os.utime(paths[0], (1, 1))
    Image.fromarray(np.full((120, 160), 7, np.uint8)).save(paths[1])
    assert done.row(jobs(paths)[0]) is first
    assert done.row(jobs(paths)[1]) is None


def test_two_runs_do_not_write_to_one_file(tmp_path):
    with RowFile(tmp_path / "r.jsonl"), pytest.raises(OutputError, match="another run"), RowFile(tmp_path / "r.jsonl"):
        pass


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_is_one_line_and_no_row_half_written(tmp_path, capsys):
    photos(tmp_path / "p", 2)
    status = cli.run(["batch", str(tmp_path / "p"), "--scale", "od:20mm", "--jobs", "1", "--jsonl", "/dev/full"])
    assert status == 2 and "No space left" in capsys.readouterr().err


def test_a_long_broken_line_is_cut_off(tmp_path):
    row = inspect_job(jobs(photos(tmp_path, 1))[0])
    path = tmp_path / "r.jsonl"
    path.write_text(row.line() + row.line()[:-1] + "x" * 200_000)
    assert list(read_done(path, [row.request]).rows) == ["00.png"]
    assert path.read_text() == row.line()


# --- progress --------------------------------------------------------------------------------------------------------


def test_progress_in_words(monkeypatch):
    progress = Progress(10)
    for verdict, is_new in (("pass", False), ("fail", True), ("pass", True)):
        progress.show(verdict, is_new)
    assert progress.words(progress.begin + 4.0) == "3 of 10 photos, 0.50 a second, 14 s left, 1 failed"
    assert Progress(None, "parts").words(1e9).startswith("0 parts")
    assert [duration(s) for s in (42.2, 185, 7800)] == ["42 s", "3 min 5 s", "2 h 10 min"]


# --- watching --------------------------------------------------------------------------------------------------------


def test_a_photo_comes_once_it_is_whole(tmp_path):
    folder, source = tmp_path / "in", photos(tmp_path / "out", 3)
    folder.mkdir()
    shutil.copyfile(source[0], folder / "there.png")
    stop = threading.Event()
    seen: list[tuple[str, int]] = []

    def slow_copy():
        data = source[1].read_bytes()
        with (folder / "slow.png").open("wb") as file:
            for i in range(0, len(data), max(1, len(data) // 6)):
                file.write(data[i : i + max(1, len(data) // 6)])
                file.flush()
                time.sleep(0.15)
        (folder / ".hidden.png").write_bytes(data)
        (folder / "notes.txt").write_text("not looked at")
        shutil.copyfile(source[2], folder / "gone.tmp")
        (folder / "gone.tmp").rename(folder / "renamed.png")

    writer = threading.Thread(target=slow_copy)
    patience = time.monotonic() + 30
    for path in arriving(folder, stop, settle_s=0.5):
        if path is None:
            if not writer.is_alive() and not seen:
                continue
        else:
            seen.append((path.name, path.stat().st_size))
            if len(seen) == 1:
                writer.start()
        if len(seen) == 3 or time.monotonic() > patience:
            stop.set()
    writer.join()
    assert dict(seen) == {
        "there.png": source[0].stat().st_size,
        "slow.png": source[1].stat().st_size,
        "renamed.png": source[2].stat().st_size,
    }


def test_a_watch_is_ended_by_ctrl_c_and_sums_up(tmp_path):
    photos(tmp_path / "p", 1)
    out = tmp_path / "r.jsonl"
    words = ["batch", str(tmp_path / "p"), "--watch", "--scale", "od:20mm", "--jobs", "1", "--jsonl", str(out)]
    run = subprocess.Popen(
        [sys.executable, "-m", "knurlsight", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    patience = time.monotonic() + 60
    arrived = False
    while time.monotonic() < patience:
        rows = out.read_bytes().count(b"\n") if out.exists() else 0
        if rows == 1 and not arrived:
            Image.fromarray(np.full((90, 90), 9, np.uint8)).save(tmp_path / "p" / "new.png")
            arrived = True
        if rows == 2:
            break
        time.sleep(0.05)
    run.send_signal(signal.SIGINT)
    text, errors = run.communicate(timeout=30)
    assert run.returncode == 3, errors
    assert "2 of 2 photos: 2 cannot tell" in text
    assert [json.loads(line)["id"] for line in out.read_text().splitlines()] == ["00.png", "new.png"]


# --- a cluster -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "address", ["tls://far.example:8786", "tcp://localhost:8786", "tcp://[::1]:1", "tls://10.0.0.1:1"]
)
def test_safe_addresses(address):
    assert checked_address(address) == address


@pytest.mark.parametrize(
    "address", ["tcp://far.example:8786", "far.example", "tls://far.example", "tls://x:99999999", "http://localhost:1"]
)
def test_addresses_that_are_refused(address):
    with pytest.raises(KnurlsightError, match="--cluster"):
        checked_address(address)


def slowly(job: Job, sent: tuple[bytes, ...] = ()) -> Row:
    """Leaves time to end a worker in mid-work."""
    time.sleep(0.3)
    return inspect_job(job, sent)


@pytest.fixture(scope="module")
def local_cluster():
    from distributed import LocalCluster

    cluster = LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", host="127.0.0.1", silence_logs=50
    )
    yield cluster
    cluster.close()


pytestmark_cluster = [
    # what dask itself leaves open in its own threads is not ours to judge
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


class TestCluster:
    """One cluster for all: it takes seconds to start."""

    pytestmark = pytestmark_cluster

    def test_a_worker_killed_in_mid_run_loses_and_doubles_nothing(self, local_cluster, tmp_path, monkeypatch):
        monkeypatch.setattr(batch_run, "inspect_job", slowly)
        paths = photos(tmp_path, 14)
        local = [inspect_job(job) for job in jobs(paths)]
        rows = []
        with ClusterPool(local_cluster.scheduler_address, paths[0]) as pool:
            assert pool.count == 2
            for row, is_new in run_jobs(jobs(paths), pool):
                rows.append(row)
                assert is_new
                if len(rows) == 2:
                    victim = next(iter(pool.client.run(os.getpid).values()))
                    os.kill(victim, signal.SIGKILL)
        assert sorted(rows, key=lambda r: r.id) == local

    def test_sent_photos_give_the_same_rows(self, local_cluster, tmp_path, capsys):
        photos(tmp_path / "p", 3)
        out = {name: tmp_path / f"{name}.jsonl" for name in ("here", "there")}
        words = ["batch", str(tmp_path / "p"), "--scale", "od:20mm"]
        assert cli.run([*words, "--jobs", "1", "--jsonl", str(out["here"])]) == 3
        away = ["--cluster", local_cluster.scheduler_address, "--send", "--jsonl", str(out["there"])]
        assert cli.run([*words, *away]) == 3
        here, there = (sorted(map(json.loads, p.read_text().splitlines()), key=lambda r: r["id"]) for p in out.values())
        assert here == there

    def test_a_worker_that_does_not_see_the_photos_is_told_before(self, local_cluster, tmp_path):
        with pytest.raises(KnurlsightError, match="does not see"):
            ClusterPool(local_cluster.scheduler_address, tmp_path / "none.png")


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_cluster_over_tls(tmp_path):
    import dask
    from distributed import LocalCluster
    from distributed.security import Security

    made = Security.temporary()
    named = {"ca-file": made.tls_ca_file, "client.cert": made.tls_client_cert, "client.key": made.tls_client_key}
    for name, text in named.items():
        (tmp_path / name).write_text(text)
    with LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=True,
        protocol="tls",
        security=made,
        dashboard_address=":0",
        host="127.0.0.1",
        silence_logs=50,
    ) as cluster:
        with pytest.raises(KnurlsightError, match="no certificates"):
            ClusterPool(cluster.scheduler_address)
        with (
            dask.config.set({f"distributed.comm.tls.{name}": str(tmp_path / name) for name in named}),
            ClusterPool(cluster.scheduler_address) as pool,
        ):
            assert pool.submit(pow, 2, 5).result(30) == 32


def test_nobody_answers(monkeypatch):
    monkeypatch.setattr("knurlsight.batch.cluster.CONNECT_S", 1)
    with pytest.raises(KnurlsightError, match="no connection"):
        ClusterPool("tcp://127.0.0.1:9")
