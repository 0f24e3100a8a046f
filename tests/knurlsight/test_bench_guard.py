"""What stands before every request: names, origins, sizes, headers, strangers' words, one shape of error."""

from __future__ import annotations

import re

import pytest
from bench_doubles import LAN_HOST, PHONE, client, hand_in, photo_bytes, running_bench, wait_for
from knurlsight.bench import guard, submissions


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with running_bench(tmp_path_factory.mktemp("guard")) as opened:
        yield opened


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "", "127.0.0.1.nip.io", "192.0.2.200"])
def test_a_name_that_is_not_this_computer_is_refused(bench, host):
    answer = client(bench).get("/", headers={"host": host})
    assert answer.status_code == 421 and "knurl" in answer.text


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:8765", "127.0.0.1:8765", "[::1]:8765"])
def test_names_of_this_computer_are_answered(bench, host):
    assert client(bench).get("/", headers={"host": host}).status_code == 200


def test_the_lan_name_does_not_make_a_stranger_the_computer(bench):
    assert client(bench, "localhost", PHONE).get("/").status_code == 303  # a Host header proves nothing
    assert client(bench, LAN_HOST).get("/").status_code == 303  # nor does loopback under a name that pages may use


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "https://localhost:8765"},
        {"origin": "http://localhost:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_posts_from_foreign_pages_are_refused(bench, headers):
    for path in ("/choose", "/inspections", "/devices/tokens", "/pair", "/api/v1/tokens"):
        assert client(bench).post(path, headers=headers).status_code == 403, path


def test_a_post_from_the_own_page_is_taken(bench):
    headers = {"origin": "http://localhost:8765", "sec-fetch-site": "same-origin"}
    assert client(bench).post("/choose", headers=headers, data={"units": "mm"}).status_code == 303


def test_every_answer_carries_the_headers(bench):
    for path in ("/", "/pair", "/nothing", "/jobs", "/static/bench.css", "/api/v1/jobs"):
        headers = client(bench).get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store" or path.startswith("/static/")
        assert "server" not in headers


def test_no_page_holds_inline_script_or_style(bench):
    sender = client(bench)
    identity = hand_in(sender, "inline-0001").json()["id"]
    wait_for(lambda: submissions.submission(bench.folder, identity).state == "done")
    for path in ("/", "/jobs", "/choose", "/devices", "/camera", f"/inspections/{identity}"):
        text = sender.get(path).text
        scripts = re.findall(r"<script(?![^>]*\bsrc=)([^>]*)>", text)
        assert all('type="application/json"' in s for s in scripts), path
        assert not re.search(r"<[^>]+\s(style|on\w+)=", text) and "<style" not in text, path
        assert not re.search(r"(?:src|href)=\"(?:https?:)?//", text), path  # every byte is ours


def test_words_of_strangers_are_never_markup(bench):
    sender = client(bench)
    evil = '"><script>alert(1)</script>'
    answer = sender.post(
        "/inspections",
        headers={"accept": "application/json"},
        data={"upload": "markup-0001"},
        files={"photo": (f"../../{evil}.jpg", photo_bytes(), "image/jpeg")},
    )
    identity = answer.json()["id"]
    wait_for(lambda: submissions.submission(bench.folder, identity).state == "done")
    page = sender.get(f"/inspections/{identity}").text
    assert "<script>alert" not in page and "&lt;script&gt;alert(1)" in page
    assert "<b>knob" not in sender.get("/").text
    assert "<script>alert" not in sender.get(f"/jobs?q={evil}").text
    refused = sender.post("/jobs", data={"number": evil})
    assert refused.status_code == 422 and "<script>alert" not in refused.text
    assert "<script>alert" not in sender.get(f"/jobs/{evil}").text
    assert list(bench.folder.work.parent.parent.rglob("*script*")) == []


def test_uploads_of_one_device_at_a_time_are_few(bench, monkeypatch):
    monkeypatch.setattr(guard, "MOST_UPLOADS_EACH", 0)
    answer = hand_in(client(bench), "many-at-once-1")
    assert (answer.status_code, answer.json()["error"]["code"]) == (429, "too-many-uploads")


def test_a_method_that_is_not_allowed_tells_which_are(bench):
    assert client(bench).delete("/jobs").headers["allow"] == "GET, HEAD, POST"  # RFC 9110, 15.5.6


@pytest.mark.parametrize(
    "path",
    [
        "/inspections/../../etc/passwd",
        "/inspections/%2e%2e%2f%2e%2e/picture.jpg",
        "/static/..%2fguard.py",
        "/static/../guard.py",
        "/jobs/%2e%2e/pictures/x/large",
        "/inspections/x/photo-1.jpg",
    ],
)
def test_no_path_leads_out(bench, path):
    assert client(bench).get(path).status_code in (303, 404, 405, 422)


def test_too_much_is_refused_before_it_is_read(bench):
    sender = client(bench)
    headers = {"content-length": str(guard.MOST_UPLOAD_BYTES + 1), "accept": "application/json"}
    assert sender.post("/inspections", headers=headers, content=b"").status_code == 413
    assert sender.post("/choose", content=b"x" * (guard.MOST_FORM_BYTES + 1)).status_code == 413

    def endless():
        for _ in range(40):
            yield b"x" * 50_000

    form = {"content-type": "application/x-www-form-urlencoded"}
    assert sender.post("/choose", content=endless(), headers=form).status_code == 413  # no length said


def test_a_photo_that_is_too_large_is_refused(bench, monkeypatch):
    monkeypatch.setattr(submissions, "MOST_BYTES", 1000)
    answer = hand_in(client(bench), "large-0001", b"x" * 5000)
    assert answer.status_code == 413 and answer.json()["error"]["code"] == "photo-too-large"
    assert not list(bench.folder.work.glob("*.arriving"))


@pytest.mark.parametrize(
    ("method", "path", "sent", "status", "code"),
    [
        ("GET", "/api/v1/jobs", {}, 401, "no-token"),
        ("GET", "/nothing", {}, 404, "http"),
        ("DELETE", "/jobs", {}, 405, "http"),
        ("POST", "/inspections", {"data": {"upload": "x"}}, 422, "upload-id"),
        ("POST", "/inspections", {"data": {"upload": "no-photo-1"}}, 422, "no-photo"),
        (
            "POST",
            "/inspections",
            {"content": b"--x", "headers": {"content-type": "multipart/form-data"}},
            400,
            "no-form",
        ),
        ("POST", "/choose", {"data": {"scale": "other", "other": "elephant"}}, 422, "cannot-be"),
        ("POST", "/choose", {"data": {"scale": "other", "other": "rig:nowhere"}}, 422, "cannot-be"),
        ("POST", "/choose", {"data": {"scale": "other", "other": "od:20.03mm"}}, 422, "one-part"),
        ("POST", "/choose", {"data": {"scale": "other", "other": "rule; od:20.03mm"}}, 422, "one-part"),
        ("POST", "/choose", {"data": {"scale": "other", "other": "rule; rig:nowhere"}}, 422, "cannot-be"),
        ("POST", "/choose", {"data": {"setup": "f" * 64}}, 422, "no-setup"),
        ("POST", "/choose", {"data": {"job": "9999"}}, 422, "cannot-be"),
        ("POST", "/setups", {"data": {"form": "RGE", "normal_pitch": "big"}}, 422, "cannot-be"),
        ("GET", "/inspections/0123456789abcdef", {}, 404, "no-inspection"),
        ("POST", "/devices/computer/drop", {}, 409, "own-computer"),
        ("POST", "/api/v1/tokens", {"content": b"{"}, 415, "no-json"),
        ("POST", "/api/v1/tokens", {"json": {"nam": 1}}, 422, "cannot-be"),
    ],
)
def test_every_error_has_one_shape(bench, method, path, sent, status, code):
    headers = {"accept": "application/json", **sent.pop("headers", {})}
    answer = client(bench).request(method, path, headers=headers, **sent)
    error = answer.json()["error"]
    assert (answer.status_code, error["code"]) == (status, code), error
    assert set(error) == {"code", "message", "hint"} and error["message"]
    page = client(bench).request(
        method, path, headers={"accept": "text/html", **headers} | {"accept": "text/html"}, **sent
    )
    assert page.status_code == status
    if not path.startswith("/api/"):
        assert page.headers["content-type"].startswith("text/html")
