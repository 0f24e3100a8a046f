"""Nothing lost, nothing doubled: repeated uploads, two phones, dead workers, stopped servers, full bench, full disk."""

from __future__ import annotations

import asyncio
import errno
import threading

import pytest
from bench_doubles import (
    LAN_HOST,
    PHONE,
    client,
    dies,
    dies_on_small,
    hand_in,
    hangs,
    no_room_at_first,
    paired_phone,
    photo_bytes,
    running_bench,
    slow,
    wait_for,
)
from knurlsight.bench import dispatch, progress, submissions
from knurlsight.bench.app import bench_app
from knurlsight.bench.refusals import BenchError
from knurlsight.bench.state import bench_folder, held


def all_of(bench):
    return submissions.latest(bench.folder, 1000)


def test_an_upload_sent_twice_is_one(tmp_path):
    with running_bench(tmp_path) as bench:
        phone = paired_phone(bench)
        first, second = hand_in(phone, "same-upload-1"), hand_in(phone, "same-upload-1")
        assert (first.status_code, second.status_code) == (202, 200)
        assert first.json() == second.json()
        other = hand_in(phone, "same-upload-1", photo_bytes(7))
        assert (other.status_code, other.json()["error"]["code"]) == (409, "upload-used")
        assert hand_in(paired_phone(bench), "same-upload-1").status_code == 202  # another phone's own name
        assert len(all_of(bench)) == 2
        assert sorted(p.name for p in bench.folder.work.iterdir()) == sorted(s.id for s in all_of(bench))


def test_the_same_upload_at_the_same_moment_is_one(tmp_path):
    with running_bench(tmp_path) as bench:
        phone = paired_phone(bench)
        said = []
        threads = [threading.Thread(target=lambda: said.append(hand_in(phone, "raced-upload"))) for _ in range(6)]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
        assert sorted(a.status_code for a in said) == [200] * 5 + [202]
        assert len(all_of(bench)) == 1


# the form parser leaves the half file to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_an_upload_cut_short_leaves_nothing_and_is_taken_the_second_time(tmp_path):
    data = photo_bytes()
    whole = (
        b'--b\r\ncontent-disposition: form-data; name="upload"\r\n\r\ncut-upload-1\r\n'
        b'--b\r\ncontent-disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n' + data + b"\r\n--b--\r\n"
    )
    form = {"content-type": "multipart/form-data; boundary=b", "accept": "application/json"}
    with running_bench(tmp_path) as bench:
        phone = paired_phone(bench)
        headers = [
            *form.items(),
            ("host", LAN_HOST),
            ("cookie", "; ".join(f"{c.name}={c.value}" for c in phone.cookies.jar)),
        ]
        scope = {
            "type": "http",
            "method": "POST",
            "path": "/inspections",
            "query_string": b"",
            "headers": [(k.encode(), v.encode()) for k, v in headers],
            "client": PHONE,
        }
        arriving = [
            {"type": "http.request", "body": whole[: len(whole) // 2], "more_body": True},
            {"type": "http.disconnect"},
        ]
        sent = []

        async def receive():
            return arriving.pop(0)

        async def send(message):
            sent.append(message)

        asyncio.run(bench_app(bench)(scope, receive, send))
        assert sent[0]["status"] == 400 and b"cut-short" in sent[1]["body"]
        assert all_of(bench) == () and list(bench.folder.work.iterdir()) == []
        assert phone.post("/inspections", content=whole, headers=form).status_code == 202
        assert len(all_of(bench)) == 1


def test_two_phones_at_once_both_get_theirs(tmp_path):
    with running_bench(tmp_path, slow, workers=2) as bench:
        phones = [paired_phone(bench), paired_phone(bench)]
        ids = [hand_in(p, f"phone-{n}-upload", photo_bytes(n)).json()["id"] for n, p in enumerate(phones)]
        for identity in ids:
            wait_for(lambda i=identity: submissions.submission(bench.folder, i).state == "done")
        for phone in phones:
            assert all(f"/inspections/{i}" in phone.get("/").text for i in ids)


def test_a_photo_that_ends_its_worker_takes_nothing_along(tmp_path):
    with running_bench(tmp_path, dies_on_small, workers=1) as bench:
        computer = client(bench)
        bad = hand_in(computer, "deadly-upload", b"tiny").json()["id"]
        good = hand_in(computer, "healthy-upload").json()["id"]
        wait_for(lambda: submissions.submission(bench.folder, good).state == "done")
        wait_for(lambda: submissions.submission(bench.folder, bad).state == "failed")
        assert submissions.submission(bench.folder, bad).attempts == submissions.MOST_ATTEMPTS
        page = computer.get(f"/inspections/{bad}")
        assert page.status_code == 200 and "cut short twice" in page.text
        assert computer.get(f"/inspections/{good}").status_code == 200


def test_a_photo_that_hangs_is_ended(tmp_path):
    with running_bench(tmp_path, hangs, seconds=0.5) as bench:
        identity = hand_in(client(bench), "hanging-upload").json()["id"]
        wait_for(lambda: submissions.submission(bench.folder, identity).state == "failed")
        assert "longer than 0.5 s" in submissions.submission(bench.folder, identity).trouble


def test_a_server_stopped_in_mid_work_goes_on_where_it_was(tmp_path):
    with running_bench(tmp_path, hangs) as bench:
        computer = client(bench)
        ids = [hand_in(computer, f"restart-{n:04d}").json()["id"] for n in range(3)]
        wait_for(lambda: submissions.submission(bench.folder, ids[0]).state == "working")
        (bench.folder.work / "leftover.arriving").mkdir()
    with running_bench(tmp_path) as bench:
        for identity in ids:
            wait_for(lambda i=identity: submissions.submission(bench.folder, i).state == "done")
        assert hand_in(client(bench), "restart-0001").json()["id"] == ids[1]  # the phone sends again: the same one
        assert len(all_of(bench)) == 3
        assert sorted(p.name for p in bench.folder.work.iterdir()) == sorted(ids)


def test_work_that_stopped_the_server_twice_is_not_tried_a_third_time(tmp_path):
    for _ in range(submissions.MOST_ATTEMPTS):
        with running_bench(tmp_path, hangs) as bench:
            if not all_of(bench):
                hand_in(client(bench), "stopping-upload")
            wait_for(lambda b=bench: all_of(b)[0].state == "working")
    with running_bench(tmp_path) as bench:
        assert all_of(bench)[0].state == "failed"


def test_a_full_bench_says_so_politely(tmp_path, monkeypatch):
    monkeypatch.setattr(submissions, "MOST_WAITING", 4)
    monkeypatch.setattr(submissions, "MOST_WAITING_EACH", 3)
    with running_bench(tmp_path, hangs) as bench:
        one, two = paired_phone(bench), paired_phone(bench)
        for n in range(3):
            assert hand_in(one, f"filling-{n:04d}").status_code == 202
        own = hand_in(one, "filling-0003")
        assert (own.status_code, own.json()["error"]["code"]) == (429, "too-many-waiting")
        assert hand_in(two, "filling-0004").status_code == 202
        full = hand_in(two, "filling-0005")
        assert (full.status_code, full.json()["error"]["code"]) == (503, "queue-full")
        assert int(full.headers["retry-after"]) > 0
        assert len(list(bench.folder.work.iterdir())) == 4


@pytest.mark.parametrize("where", ["disk says so", "little is left"])
def test_a_full_disk_is_said_not_hidden(tmp_path, monkeypatch, where):
    with running_bench(tmp_path) as bench:
        if where == "disk says so":

            def full(file, path):
                raise OSError(errno.ENOSPC, "No space left on device")

            monkeypatch.setattr(submissions, "_written", full)
        else:
            monkeypatch.setattr(submissions, "free_bytes", lambda path: 1000)
        answer = hand_in(client(bench), "full-disk-0001")
        assert (answer.status_code, answer.json()["error"]["code"]) == (507, "disk-full")
        assert "nothing is lost on the phone" in answer.json()["error"]["hint"]
        assert all_of(bench) == () and list(bench.folder.work.iterdir()) == []
        monkeypatch.undo()
        assert hand_in(client(bench), "full-disk-0001").status_code == 202


def test_an_answer_that_finds_no_room_waits_for_it(tmp_path, monkeypatch):
    said = []
    postpone = submissions.postpone

    def remembered(folder, this, trouble):
        said.append(trouble)
        postpone(folder, this, trouble)

    monkeypatch.setattr(dispatch, "ROOM_S", 0.3)
    monkeypatch.setattr(submissions, "postpone", remembered)  # what is written stands only until it is taken up again
    with running_bench(tmp_path, no_room_at_first) as bench:
        identity = hand_in(client(bench), "no-room-0001").json()["id"]
        wait_for(lambda: submissions.submission(bench.folder, identity).state == "done", 60.0)
        this = submissions.submission(bench.folder, identity)
        assert (this.trouble, this.attempts) == ("", 1)
    assert len(said) == 1
    assert "disk" in said[0]


def test_who_waits_while_the_disk_is_full_is_told_so(tmp_path, monkeypatch):
    with running_bench(tmp_path, slow) as bench:
        waiting = [hand_in(client(bench), f"waits-{n}-upload").json()["id"] for n in range(2)][-1]
        assert progress.state_of(bench, waiting)["trouble"] == ""
        monkeypatch.setattr(progress, "free_bytes", lambda path: 0)
        assert "disk" in progress.state_of(bench, waiting)["trouble"]


def test_old_parts_that_were_not_kept_are_forgotten(tmp_path, monkeypatch):
    with running_bench(tmp_path) as bench:
        identity = hand_in(client(bench), "old-upload-1").json()["id"]
        wait_for(lambda: submissions.submission(bench.folder, identity).state == "done")
        assert submissions.sweep(bench.folder) == 0
        later = submissions.now() + (submissions.KEPT_DAYS + 1) * 86_400
        monkeypatch.setattr(submissions, "now", lambda: later)
        assert submissions.sweep(bench.folder) == 1
        assert list(bench.folder.work.iterdir()) == []
        assert client(bench).get(f"/inspections/{identity}").status_code == 404


def test_one_folder_one_server(tmp_path):
    folder = bench_folder(tmp_path / "bench")
    with held(folder), pytest.raises(BenchError, match="another bench"), held(folder):
        pass
    with held(folder):
        pass


def test_progress_is_pushed(tmp_path):
    with running_bench(tmp_path, slow) as bench:
        sender = client(bench)
        identity = hand_in(sender, "progress-0001").json()["id"]
        with sender.stream("GET", f"/inspections/{identity}/events") as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            lines = [line for line in answer.iter_lines() if line.startswith("data:")]
        assert '"done"' in lines[-1] and len(lines) >= 2
        page = sender.get(f"/inspections/{identity}")
        assert "PASS" in page.text


def test_workers_that_die_at_once_do_not_spin(tmp_path):
    with running_bench(tmp_path, dies) as bench:
        identity = hand_in(client(bench), "spinning-0001").json()["id"]
        wait_for(lambda: submissions.submission(bench.folder, identity).state == "failed")
