"""Kept with the job, once, after the time to take it back; and the history that it makes."""

from __future__ import annotations

import io
import json

import pytest
from bench_doubles import client, hand_in, paired_phone, photo_bytes, running_bench, wait_for
from knurlsight.bench import keeping, submissions
from knurlsight.records.facts import JobFacts
from knurlsight.records.photos import Picture
from knurlsight.records.read import entries
from knurlsight.records.signature import sign
from knurlsight.records.write import attach, new_job
from PIL import Image


@pytest.fixture
def bench(tmp_path):
    with running_bench(tmp_path) as opened:
        new_job(opened.records.store(), "2041")
        yield opened


def measured(bench, sender, upload="keep-upload-1"):
    identity = hand_in(sender, upload).json()["id"]
    wait_for(lambda: submissions.submission(bench.folder, identity).state == "done")
    return identity


def inspections_of(bench, job="2041"):
    return [e for e in entries(bench.records.store(), job) if e.kind == "inspection"]


def test_kept_after_the_time_to_take_it_back(bench, monkeypatch):
    phone = paired_phone(bench)
    identity = measured(bench, phone)
    sent = {"job": "2041", "operation": "30", "note": "first-off", "decision": "rework", "why": "too shallow"}
    assert phone.post(f"/inspections/{identity}/keep", data=sent).status_code == 303
    assert "Undo" in phone.get(f"/inspections/{identity}").text
    assert inspections_of(bench) == []
    later = keeping.now() + keeping.UNDO_S + 1
    monkeypatch.setattr(keeping, "now", lambda: later)
    wait_for(lambda: keeping.kept(bench.folder, identity).entry)
    (kept,) = inspections_of(bench)
    assert (kept.op, kept.body["note"], kept.who, kept.verdict) == ("30", "first-off", "phone 1", "pass")
    assert [p["role"] for p in kept.body["photos"]] == ["photo", "annotated"]
    decision = entries(bench.records.store(), "2041")[-1]
    assert (decision.kind, decision.verdict, decision.body["about"]) == ("disposition", "rework", kept.number)
    page = phone.get("/jobs/2041").text
    annotated = kept.body["photos"][1]["sha256"]
    assert f"/jobs/2041/pictures/{annotated}/small" in page and "first-off" in page and "too shallow" in page
    small = phone.get(f"/jobs/2041/pictures/{annotated}/small")
    assert small.status_code == 200 and small.headers["content-type"] == "image/jpeg"
    assert phone.get(f"/jobs/2041/pictures/{annotated}/large").status_code == 200
    assert phone.get(f"/jobs/2041/pictures/{'0' * 64}/large").status_code == 404
    assert f"as entry {kept.number}" in phone.get(f"/inspections/{identity}").text
    assert "first-off" in phone.get("/jobs?q=first").text or "30" in phone.get("/jobs?q=first").text
    again = phone.post(f"/inspections/{identity}/keep", data=sent)
    assert again.status_code == 409 and len(inspections_of(bench)) == 1
    assert phone.post(f"/inspections/{identity}/undo").status_code == 409


def test_small_pictures_of_what_the_command_line_attached(bench):
    measured(bench, client(bench))
    result = json.loads(next(bench.folder.path.rglob("result.json")).read_text())

    def attached(photo, annotated=None):
        given = Picture("a.jpg", photo)
        named = result["photos"][0] | {"file": given.name, "sha256": given.sha256}
        return attach(bench.records.store(), "2041", result | {"photos": [named]}, [given], annotated)

    turned = Image.new("RGB", (1200, 600), "red").getexif()
    turned[0x0112] = 6  # EXIF 2.32, 4.6.4 A, orientation: the 0th row is the right-hand side
    photo, annotated, broken = io.BytesIO(), io.BytesIO(), b"\xff\xd8 no picture"
    Image.new("RGB", (1200, 600), "red").save(photo, "JPEG", exif=turned)
    Image.new("RGB", (400, 300), "blue").save(annotated, "PNG")
    made = [
        attached(photo.getvalue(), Picture("b.png", annotated.getvalue())),
        attached(photo.getvalue()),
        attached(broken),
    ]
    page = client(bench).get("/jobs/2041").text
    answers = []
    for entry in made:
        path = f"/jobs/2041/pictures/{entry.body['photos'][-1]['sha256']}/small"
        assert f'<img src="{path}"' in page
        answers.append(client(bench).get(path))
    assert [a.status_code for a in answers] == [200, 200, 404]
    assert [Image.open(io.BytesIO(a.content)).size for a in answers[:2]] == [(200, 150), (100, 200)]
    assert client(bench).get(f"/jobs/2041/pictures/{'0' * 64}/small").status_code == 404
    assert client(bench).get("/jobs/2041/pictures/..%2Fx/small").status_code == 404


def test_photos_of_a_part_turned_are_one_record(bench, monkeypatch):
    computer = client(bench)
    first = measured(bench, computer)
    answer = hand_in(computer, "turned-upload-1", photo_bytes(3), continues=first, turned="45deg").json()
    wait_for(lambda: submissions.submission(bench.folder, answer["id"]).state == "done")
    page = computer.get(f"/inspections/{answer['id']}").text
    assert "Seen: 120° of 360°. The rest of the part was not looked at. Next: turn it by 45°." in page
    view = submissions.folder_of(bench.folder, submissions.submission(bench.folder, answer["id"])) / "answer/view.json"
    view.write_text(json.dumps(json.loads(view.read_text()) | {"seen_deg": "360"}))
    page = computer.get(f"/inspections/{answer['id']}").text
    assert "Seen: all 360°." in page and "not looked at" not in page and "Next: turn" not in page
    computer.post(f"/inspections/{answer['id']}/keep", data={"job": "2041"})
    later = keeping.now() + keeping.UNDO_S + 1
    monkeypatch.setattr(keeping, "now", lambda: later)
    wait_for(lambda: keeping.kept(bench.folder, answer["id"]).entry)
    (kept,) = inspections_of(bench)
    assert [p["role"] for p in kept.body["photos"]] == ["photo", "photo", "annotated"]


def test_taken_back_in_time_leaves_nothing(bench, monkeypatch):
    computer = client(bench)
    identity = measured(bench, computer)
    computer.post(f"/inspections/{identity}/keep", data={"job": "2041"})
    assert computer.post(f"/inspections/{identity}/undo").status_code == 303
    later = keeping.now() + keeping.UNDO_S + 1
    monkeypatch.setattr(keeping, "now", lambda: later)
    assert keeping.settle_due(bench.folder, bench.records) == 0
    assert inspections_of(bench) == []
    assert "Undo" not in computer.get(f"/inspections/{identity}").text


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"job": "9999"}, "no job 9999"),
        ({"job": "../../x"}, "job number"),
        ({"job": "2041", "decision": "scrap"}, "say why"),
        ({"job": "2041", "decision": "melt", "why": "x"}, "decision"),
        ({"job": "2041", "operation": "a\x00b"}, "plain text"),
        ({"job": "2041", "note": "x" * 30_000}, "characters"),
    ],
)
def test_what_cannot_be_kept_is_refused_at_the_tap(bench, sent, words):
    computer = client(bench)
    identity = measured(bench, computer)
    answer = computer.post(f"/inspections/{identity}/keep", data=sent, headers={"accept": "application/json"})
    assert answer.status_code == 422 and words in answer.json()["error"]["message"]
    assert keeping.kept(bench.folder, identity) is None


@pytest.mark.parametrize("moment", ["before the record", "after the record"])
def test_a_server_stopped_while_keeping_writes_it_once(bench, monkeypatch, moment):
    computer = client(bench)
    identity = measured(bench, computer)
    this = submissions.submission(bench.folder, identity)
    keeping.keep(bench.folder, bench.records, this, keeping.KeepAsked("2041", decision="accept"), undo_s=60)
    attach = keeping.attach

    def cut(*inputs, **named):
        if moment == "after the record":
            attach(*inputs, **named)
        raise KeyboardInterrupt

    monkeypatch.setattr(keeping, "attach", cut)
    with pytest.raises(KeyboardInterrupt):
        keeping.settle(bench.folder, bench.records, identity)
    monkeypatch.setattr(keeping, "attach", attach)
    assert keeping.settle(bench.folder, bench.records, identity)
    assert len(inspections_of(bench)) == 1
    assert [e.kind for e in entries(bench.records.store(), "2041")] == ["job", "inspection", "disposition"]
    assert not keeping.settle(bench.folder, bench.records, identity)


def test_trouble_with_the_store_is_shown_and_can_be_tried_again(bench, monkeypatch):
    computer = client(bench)
    identity = measured(bench, computer)
    computer.post("/choose", data={"job": "2041"})
    this = submissions.submission(bench.folder, identity)
    keeping.keep(bench.folder, bench.records, this, keeping.KeepAsked("2041"), undo_s=60)
    attach = keeping.attach

    def locked(*inputs, **named):
        raise keeping.RecordError("the store is locked")

    monkeypatch.setattr(keeping, "attach", locked)
    assert not keeping.settle(bench.folder, bench.records, identity)
    assert "the store is locked" in computer.get(f"/inspections/{identity}").text
    monkeypatch.setattr(keeping, "attach", attach)
    assert computer.post(f"/inspections/{identity}/keep", data={"job": "2041"}).status_code == 303
    assert keeping.settle(bench.folder, bench.records, identity)
    assert len(inspections_of(bench)) == 1


def test_a_job_is_opened_and_chosen_by_the_page(bench):
    phone = paired_phone(bench)
    sent = {"number": "J-17", "part": "knob", "customer": "invented", "operation": "10"}
    assert phone.post("/jobs", data=sent).status_code == 303
    assert "J-17 / 10" in phone.get("/").text
    assert phone.post("/jobs", data={"number": "J-17"}).status_code == 422
    assert phone.post("/jobs/J-17/notes", data={"note": "hold on"}).status_code == 303
    decided = phone.post("/jobs/J-17/notes", data={"note": "all good", "decision": "accept"})
    assert decided.status_code == 303
    page = phone.get("/jobs/J-17").text
    assert "hold on" in page and "accept: all good" in page


def test_the_setup_of_an_operation_is_chosen_with_it(bench):
    from knurlsight.records.facts import OperationFacts
    from knurlsight.records.write import add_operation
    from knurlsight.setup_math.setup import setup_from_text
    from knurlsight.setup_math.setup_model import setup_document

    setup = setup_from_text(
        '[part]\nname = "ring"\noutside_diameter = "20 mm"\n[pattern]\nform = "RAA"\nnormal_pitch = "1 mm"\n'
    )
    content = {"content_hash": setup.content_hash, "content": setup_document(setup)}
    add_operation(bench.records.store(), "2041", "30", OperationFacts(setup=content))
    computer = client(bench)
    computer.post("/choose", data={"setup": "", "job": "2041", "operation": "30"})
    assert "ring" in computer.get("/").text
    computer.post("/choose", data={"setup": "", "job": "2041", "operation": "30"})  # another one, picked by hand
    assert "measure only" in computer.get("/").text


def test_a_chosen_job_stays_chosen_when_many_others_are_newer(bench):
    computer = client(bench)
    computer.post("/choose", data={"job": "2041"})
    for n in range(51):
        new_job(bench.records.store(), f"newer {n}", JobFacts(), sign("turner"))
    assert '<option value="2041" selected>' in computer.get("/choose").text
    assert "Keep parts in this job" in computer.get("/jobs/newer 3").text


def test_a_setup_from_the_numbers_of_a_drawing(bench):
    computer = client(bench)
    typed = {"name": "knob", "form": "RGE", "normal_pitch": "21tpi", "outside_diameter": "3/4 in", "helix": "30deg"}
    assert computer.post("/setups", data=typed).status_code == 303
    assert "knob" in computer.get("/").text
    assert computer.post("/setups", data={**typed, "name": ""}).status_code == 303
    assert "RGE 1.21 mm, diameter 19.05 mm" in computer.get("/").text  # 25.4 / 21; 3/4 of 25.4
    wrong = computer.post("/setups", data={**typed, "helix": "300deg", "outside_diameter": "-1"})
    assert wrong.status_code == 422 and "helix" in wrong.text and "outside_diameter" in wrong.text
    toml = b'[part]\nname = "from a file"\noutside_diameter = "20 mm"\n[pattern]\nform = "RAA"\nnormal_pitch = "1 mm"\n'
    assert computer.post("/setups", files={"file": ("a.toml", toml)}).status_code == 303
    assert "from a file" in computer.get("/choose").text
    assert computer.post("/setups", files={"file": ("a.jpg", b"\xff\xd8\xff")}).status_code == 422


def test_this_part_beside_the_last(bench):
    computer = client(bench)
    first, second = measured(bench, computer, "compare-0001"), measured(bench, computer, "compare-0002")
    assert computer.get(f"/inspections/{first}/compare").status_code == 404
    page = computer.get(f"/inspections/{second}/compare")
    assert page.status_code == 200 and f"/inspections/{first}" in page.text


def test_a_bare_caliper_reading_is_in_the_units_that_the_device_shows(bench):
    computer = client(bench)

    def scale_of(upload, reading):
        return submissions.submission(bench.folder, hand_in(computer, upload, od=reading).json()["id"]).asked.scale

    assert scale_of("reading-mm-1", "20.03") == "od:20.03 mm"
    computer.post("/choose", data={"units": "in"})
    assert scale_of("reading-in-1", "0.7886") == "od:0.7886 in"
    assert scale_of("reading-in-2", "20.03 mm") == "od:20.03 mm"
    for wrong in ("no number", "-20", "99999", "20 mm; card"):
        refused = hand_in(computer, "reading-no-1", od=wrong)
        assert refused.status_code == 422 and "is no diameter" in refused.json()["error"]["message"], wrong
