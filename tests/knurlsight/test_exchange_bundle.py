"""A job as one .zip: there and back with nothing lost, and what is refused."""

from __future__ import annotations

import hashlib
import json
import zipfile
from io import BytesIO

import made_patterns as made
import made_records
import pytest
from knurlsight.cli import run
from knurlsight.errors import ExchangeError
from knurlsight.exchange.bundle import MANIFEST, RECORD, export_bundle, read_bundle
from knurlsight.exchange.picture_note import read_note
from knurlsight.records.chain import Book
from knurlsight.records.facts import BenchFacts, JobFacts, WheelFacts
from knurlsight.records.photos import Picture
from knurlsight.records.read import entries, photo
from knurlsight.records.restore import restore_book
from knurlsight.records.signature import Signature
from knurlsight.records.store import open_store
from knurlsight.records.verify import verify
from knurlsight.records.write import add_note, add_wheel_facts, attach, new_job
from knurlsight.result import json_text, result_of

SIGNED = Signature("turner", "2026-03-02T09:15:00+00:00", "UTC")
WHEN = "2026-03-05T00:00:00+00:00"
PLACE = b"Invented Place 4711"
WHEEL = '[[wheel]]\nlabel = "W-1 (invented)"\npitch = "1 mm"\nhand = "left"\n'
ODD = "20 41+B_#-.2"


def with_place(data: bytes) -> bytes:
    """A photo with a comment in it."""
    return data[:2] + b"\xff\xfe" + (len(PLACE) + 2).to_bytes(2, "big") + PLACE + data[2:]


def filled(folder, number: str = "2041", *, place: bool = False):
    """A store with one job: two inspections with photos and pictures, a note, a wheel."""
    store = open_store(folder, create=True)
    new_job(store, number, JobFacts(part="knob (invented)", customer="=1+1"), SIGNED)
    add_wheel_facts(store, "W-1 (invented)", WheelFacts(parts_rolled=10), SIGNED)
    for seed, fill in ((1, 0.8), (2, 0.7)):
        data = made_records.jpeg(made.WIDTH, made.HEIGHT, seed)
        data = with_place(data) if place else data
        result = json.loads(json_text(result_of(made_records.cut(fill))))
        result["photos"][0]["sha256"] = hashlib.sha256(data).hexdigest()
        result["setup"]["content"]["wheel"] = [{"label": "W-1 (invented)", "pitch": "1 mm", "hand": "left"}]
        picture = Picture("annotated.jpg", made_records.jpeg(seed=seed + 10))
        bench = BenchFacts(serial=str(seed))
        attach(store, number, result, [Picture("a b.jpg", data)], picture, op="30", bench=bench, signed=SIGNED)
    add_note(store, number, "=note\n../x", signed=SIGNED)
    return store


def exported(store, number: str = "2041", *, originals: bool = False) -> bytes:
    books = [entries(store, Book("wheel", "W-1 (invented)"))]
    return export_bundle(
        entries(store, number), books, lambda s: photo(store, s).read_bytes(), WHEN, originals=originals
    )


def taken_in(data: bytes, folder):
    brought = read_bundle(data, "b.zip")
    store = open_store(folder, create=True)
    restore_book(store, brought.job, brought.pictures)
    for wheel in brought.wheels:
        restore_book(store, wheel, ())
    return store


@pytest.mark.parametrize(("number", "originals"), [("2041", False), (ODD, True)])
def test_there_and_back_is_byte_identical(tmp_path, number, originals):
    with filled(tmp_path / "one", number, place=originals) as store:
        first = exported(store, number, originals=originals)
        with taken_in(first, tmp_path / "two") as other:
            assert entries(other, number) == entries(store, number)
            assert not verify(other).faults
            assert exported(other, number, originals=originals) == first


def test_it_is_a_folder_to_read(tmp_path):
    with filled(tmp_path / "one") as store:
        opened = zipfile.ZipFile(BytesIO(exported(store)))
    names = opened.namelist()
    for name in ("README.txt", "report.pdf", "figures.csv", "results.qif", RECORD, MANIFEST, "results/0002.json"):
        assert name in names
    assert opened.read("report.pdf").startswith(b"%PDF")
    manifest = json.loads(opened.read(MANIFEST))
    assert all(hashlib.sha256(opened.read(n)).hexdigest() == h for n, h in manifest["files"].items())
    noted = next(told["path"] for told in manifest["photos"].values() if told["as"] == "noted")
    note = read_note(opened.read(noted), "p")
    assert note.job == "2041" and note.record_hash in opened.read(RECORD).decode()


def test_place_stays_at_home_unless_asked(tmp_path):
    with filled(tmp_path / "one", place=True) as store:
        bare, whole = exported(store), exported(store, originals=True)
    assert PLACE not in bare and PLACE in whole
    assert len(read_bundle(whole, "b.zip").pictures) == 4


def test_photos_without_place_stand_in_for_their_originals(tmp_path):
    with filled(tmp_path / "one", place=True) as store:
        first = exported(store)
        with taken_in(first, tmp_path / "two") as other:
            assert entries(other, "2041") == entries(store, "2041")
            assert exported(other) == exported(other, originals=True) == first
            seen = verify(other)
            assert not seen.faults
            assert "without place and owner and stand in" in " ".join(seen.remarks)
            kept = [p for p in other.photos.glob("??/*") if "." in p.name]
            assert kept and PLACE not in b"".join(p.read_bytes() for p in kept)
            kept[0].chmod(0o644)
            kept[0].write_bytes(kept[0].read_bytes()[:-1] + b"?")
            (fault,) = verify(other).faults
            assert "stands in" in fault and kept[0].name in fault


def test_a_stand_in_is_named_by_a_hash(tmp_path):
    def change(files):
        manifest = json.loads(files[MANIFEST])
        name, told = next((n, t) for n, t in manifest["photos"].items() if t["as"] == "stripped")
        manifest["photos"]["../" + name] = told
        files[MANIFEST] = json.dumps(manifest).encode()

    with filled(tmp_path / "one", place=True) as store:
        bad = rewritten(exported(store), change)
    with pytest.raises(ExchangeError, match="not the hash of a photo"):
        read_bundle(bad, "b.zip")


def rewritten(data: bytes, change) -> bytes:
    """The bundle with its files changed, each under a name."""
    opened = zipfile.ZipFile(BytesIO(data))
    files = {name: opened.read(name) for name in opened.namelist()}
    change(files)
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made_anew:
        for name, content in files.items():
            made_anew.writestr(name, content)
    return out.getvalue()


def forged(name: str, old: bytes, new: bytes):
    """A change of a file with the manifest made to fit."""

    def change(files):
        assert old in files[name]
        files[name] = files[name].replace(old, new)
        manifest = json.loads(files[MANIFEST])
        manifest["files"][name] = hashlib.sha256(files[name]).hexdigest()
        files[MANIFEST] = json.dumps(manifest).encode()

    return change


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    with filled(tmp_path_factory.mktemp("store") / "one") as store:
        return exported(store)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda f: f.update({"../evil.txt": b"x"}), "climbs out"),
        (lambda f: f.update({"/evil.txt": b"x"}), "climbs out"),
        (lambda f: f.update({"photos/..\\evil.txt": b"x"}), "climbs out"),
        (lambda f: f.update({"C:evil.txt": b"x"}), "climbs out"),
        (lambda f: f.update({"more.txt": b"x"}), "not in the manifest"),
        (lambda f: f.pop("report.pdf"), "missing"),
        (lambda f: f.pop(MANIFEST), "has no manifest"),
        (lambda f: f.update({MANIFEST: b"[" * 5000}), "not a JSON object"),
        (lambda f: f.update({MANIFEST: b"{}"}), "is not a job that knurlsight exported"),
        (lambda f: f.update({"report.pdf": b"%PDF other"}), "was changed since it was exported"),
        (lambda f: f.update({"bomb.bin": bytes(30_000_000)}), "unfolds to"),
        (lambda f: f.update({f"{i}.bin": bytes(999_000) for i in range(160)}), "which no job does"),
        (lambda f: f.update({f"{i}.txt": b"" for i in range(20_001)}), "which no job does"),
        (forged(MANIFEST, b'"version": 1', b'"version": 2'), "is of version 2"),
        (forged(RECORD, b'"number": 2', b'"number": "2"'), "not as this version writes it"),
        (forged(RECORD, b'"kind": "job"', b'"kind": "x"'), "is not the record of a job"),
    ],
)
def test_what_is_wrong_with_a_zip_is_said_in_one_line(bundle, tmp_path, change, words):
    (tmp_path / "in.zip").write_bytes(rewritten(bundle, change))
    with pytest.raises(Exception, match=words) as refused:
        read_bundle((tmp_path / "in.zip").read_bytes(), "b.zip")
    assert "\n" not in str(refused.value)
    assert run(["job", "import", str(tmp_path / "in.zip"), "--store", str(tmp_path / "s")]) == 2
    assert not (tmp_path / "s").exists() and not list(tmp_path.glob("**/evil*"))


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"no zip at all", b"%PDF"])
def test_what_is_no_zip_is_refused(data):
    with pytest.raises(ExchangeError, match=r"b\.zip: is not a \.zip file"):
        read_bundle(data, "b.zip")


def test_a_zip_cut_short_or_with_a_flipped_bit_is_refused(bundle):
    with pytest.raises(ExchangeError):
        read_bundle(bundle[: len(bundle) // 2], "b.zip")
    for at in range(200, len(bundle) - 5000, len(bundle) // 11):
        bad = bytearray(bundle)
        bad[at] ^= 4
        with pytest.raises(ExchangeError):
            read_bundle(bytes(bad), "b.zip")


def test_a_changed_word_of_an_entry_breaks_the_chain(bundle, tmp_path, capsys):
    changed = rewritten(bundle, forged(RECORD, b'"who": "turner"', b'"who": "forger"'))
    (tmp_path / "in.zip").write_bytes(changed)
    assert run(["job", "import", str(tmp_path / "in.zip"), "--store", str(tmp_path / "s")]) == 2
    assert "changed on its way" in capsys.readouterr().err


def test_the_commands(tmp_path, capsys, bundle):
    store = str(tmp_path / "s")
    (tmp_path / "in.zip").write_bytes(bundle)
    assert run(["job", "import", str(tmp_path / "in.zip"), "--store", store]) == 0
    assert "4 entries, 4 photos taken over" in capsys.readouterr().out
    assert run(["job", "import", str(tmp_path / "in.zip"), "--store", store]) == 2
    assert "kept here already" in capsys.readouterr().err
    outs = {kind: tmp_path / f"o.{kind}" for kind in ("pdf", "qif", "csv", "json")}
    options = [word for kind, path in outs.items() for word in (f"--{kind}", str(path))]
    assert run(["job", "export", "2041", str(tmp_path / "o.zip"), *options, "--store", store]) == 0
    assert outs["pdf"].read_bytes().startswith(b"%PDF")
    assert len(json.loads(outs["json"].read_text())["entries"]) == 4
    assert run(["job", "export", "2041", "--csv", "-", "--entry", "3", "--store", store]) == 0
    capsys.readouterr()
    for wrong in (
        ["2041"],
        ["9999", "x.zip"],
        ["2041", "--csv", "-", "--entry", "4"],
        ["2041", "x.zip", "--entry", "2"],
    ):
        assert run(["job", "export", *wrong, "--store", store]) == 2
        assert capsys.readouterr().err.startswith("error: ")
    opened = zipfile.ZipFile(tmp_path / "o.zip")
    noted = next(n for n in opened.namelist() if n.endswith("annotated.jpg"))
    (tmp_path / "p.jpg").write_bytes(opened.read(noted))
    assert run(["job", "picture", str(tmp_path / "p.jpg")]) == 0
    assert "job: 2041" in capsys.readouterr().out
