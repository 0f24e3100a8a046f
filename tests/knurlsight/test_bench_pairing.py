"""Who is let in: the code, its limits, tokens that are kept as hashes only, dropping."""

from __future__ import annotations

import sqlite3

import pytest
from bench_doubles import LAN_HOST, PHONE, client, hand_in, paired_phone, running_bench
from knurlsight.bench import devices
from knurlsight.bench.pairing import GOOD_FOR_S, MOST_WRONG, MOST_WRONG_EACH, SLOW_S, PairingDesk
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.state import bench_folder


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.time = 1000.0

    def __call__(self) -> float:
        return self.time


def wrong(digits: str) -> str:
    return f"{(int(digits) + 1) % 10**8:08d}"


def test_the_code_is_good_once():
    desk = PairingDesk()
    digits = desk.code().digits
    assert len(digits) == 8
    desk.use(f" {digits[:4]} {digits[4:]} ", "a")
    with pytest.raises(RefusedError, match="not the code"):
        desk.use(digits, "a")


def test_the_code_runs_out():
    clock = Clock()
    desk = PairingDesk(clock=clock)
    digits = desk.code().digits
    clock.time += GOOD_FOR_S
    with pytest.raises(RefusedError, match="run out"):
        desk.use(digits, "a")
    assert desk.code().digits != digits


def test_one_address_may_err_a_few_times_only_and_others_are_not_held_up():
    clock = Clock()
    desk = PairingDesk(clock=clock)
    digits = desk.code().digits
    for _ in range(MOST_WRONG_EACH):
        with pytest.raises(RefusedError, match="not the code"):
            desk.use(wrong(digits), "guesser")
    with pytest.raises(RefusedError, match="too many"):
        desk.use(digits, "guesser")
    desk.use(digits, "owner")
    clock.time += SLOW_S + 1
    desk.use(desk.code().digits, "guesser")


def test_many_addresses_together_make_a_new_code_and_a_pause():
    told = []
    clock = Clock()
    desk = PairingDesk(told.append, clock=clock)
    digits = desk.code().digits
    for n in range(MOST_WRONG):
        with pytest.raises(RefusedError):
            desk.use(wrong(digits), f"address {n}")
    assert [c.digits for c in told] == [desk.code().digits] != [digits]
    with pytest.raises(RefusedError, match="too many"):
        desk.use(desk.code().digits, "owner")


@pytest.mark.parametrize("typed", ["", "1", "0" * 200, "abcdefgh", "１２３４５６７８"])
def test_odd_codes_are_wrong_codes(typed):
    with pytest.raises(RefusedError):
        PairingDesk().use(typed, "a")


def test_tokens_are_kept_as_hashes_only(tmp_path):
    folder = bench_folder(tmp_path / "bench")
    _, token = devices.add_device(folder, "Lathe 3", "phone")
    assert devices.device_of_token(folder, token).name == "Lathe 3"
    for path in (tmp_path / "bench").iterdir():
        if path.is_file():
            assert token.encode() not in path.read_bytes()
    assert len(token) >= 43  # 32 random bytes


def test_a_token_runs_out(tmp_path, monkeypatch):
    folder = bench_folder(tmp_path / "bench")
    _, phone = devices.add_device(folder, "", "phone")
    _, program = devices.add_device(folder, "shop", "program")
    later = devices.now() + 20 * devices.DAY_S
    monkeypatch.setattr(devices, "now", lambda: later)
    assert devices.device_of_token(folder, phone)  # used: prolonged
    later += 29 * devices.DAY_S
    assert devices.device_of_token(folder, phone)
    later += 31 * devices.DAY_S
    assert devices.device_of_token(folder, phone) is None
    assert devices.device_of_token(folder, program)
    later += 365 * devices.DAY_S
    assert devices.device_of_token(folder, program) is None


def test_an_unpaired_device_sees_nothing_but_the_pairing_page(tmp_path):
    with running_bench(tmp_path) as bench:
        phone = client(bench, LAN_HOST, PHONE)
        for path in ("/", "/jobs", "/choose", "/devices", "/camera", "/inspections/x", "/inspections/x/picture.jpg"):
            answer = phone.get(path)
            assert (answer.status_code, answer.headers["location"]) == (303, "/pair"), path
        assert hand_in(phone, "upload-0001").status_code == 401
        assert phone.get("/api/v1/jobs").status_code == 401
        assert phone.post("/api/v1/tokens", json={"name": "x"}).status_code == 401
        page = phone.get("/pair?code=12345678<script>")
        assert page.status_code == 200 and 'value="12345678"' in page.text and "<script>alert" not in page.text
        assert phone.get("/static/bench.css").status_code == 200


def test_pairing_by_the_page_and_dropping_from_the_computer(tmp_path):
    with running_bench(tmp_path) as bench:
        phone = paired_phone(bench)
        assert phone.get("/").status_code == 200
        cookie = phone.cookies.jar
        assert all(c.has_nonstandard_attr("HttpOnly") and c.get_nonstandard_attr("SameSite") == "lax" for c in cookie)
        assert phone.get("/devices/code.svg").status_code == 404  # the code stands on the computer only
        assert bench.pairing.code().words not in phone.get("/devices").text
        computer = client(bench)
        assert bench.pairing.code().words in computer.get("/devices").text
        assert computer.get("/devices/code.svg").headers["content-type"] == "image/svg+xml"
        identity = next(d.id for d in devices.devices(bench.folder) if d.kind == "phone")
        other = paired_phone(bench)
        assert other.post(f"/devices/{identity}/drop").status_code == 403
        assert computer.post(f"/devices/{identity}/drop").status_code == 303
        assert phone.get("/").headers["location"] == "/pair"
        assert other.get("/").status_code == 200
        own = next(d.id for d in devices.devices(bench.folder) if d.kind == "phone")
        assert other.post(f"/devices/{own}/drop").headers["location"] == "/pair"
        assert other.get("/").headers["location"] == "/pair"


def test_the_choice_is_remembered_for_each_device(tmp_path):
    with running_bench(tmp_path) as bench:
        one, two = paired_phone(bench), paired_phone(bench)
        one.post("/choose", data={"units": "in", "theme": "dark"})
        one.post("/choose", data={"scale": "other", "other": "pin:6mm"})
        assert 'data-theme="dark"' in one.get("/").text and "pin:6mm" in one.get("/").text
        assert 'data-theme="auto"' in two.get("/").text and "pin:6mm" not in two.get("/").text


def test_a_newer_state_is_refused_in_one_line(tmp_path):
    bench_folder(tmp_path / "bench")
    database = sqlite3.connect(tmp_path / "bench" / "bench.sqlite")
    database.execute("PRAGMA user_version = 99")
    database.close()
    with pytest.raises(Exception, match="newer version"):
        bench_folder(tmp_path / "bench")
