"""The record store on SQLite and on a real PostgreSQL server: what goes in comes out, in order, and is found."""

from __future__ import annotations

import json
import random
import threading
from pathlib import Path

import made_records
import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from knurlsight.errors import KnurlsightError, RecordError
from knurlsight.records import migrate, tables
from knurlsight.records.chain import Book, chained
from knurlsight.records.collect import inspections
from knurlsight.records.corrections import as_corrected
from knurlsight.records.facts import (
    BenchFacts,
    CorrectionFacts,
    DispositionFacts,
    JobFacts,
    OperationFacts,
    WheelFacts,
    facts_from,
)
from knurlsight.records.photos import Picture
from knurlsight.records.read import entries, head, job, jobs, photo, wheels
from knurlsight.records.restore import entry_document, entry_from_document, restore_book
from knurlsight.records.search import Wanted, find
from knurlsight.records.signature import Signature
from knurlsight.records.statistics import statistics
from knurlsight.records.store import Store, open_store
from knurlsight.records.verify import verify
from knurlsight.records.write import (
    add_note,
    add_operation,
    add_wheel_facts,
    attach,
    correct,
    dispose,
    new_job,
)
from knurlsight.result import json_text, result_of
from postgres_server import NoServerError, server
from record_writer import inspection


@pytest.fixture(scope="module")
def postgres():
    pytest.importorskip(
        "psycopg", reason="the driver of PostgreSQL is not installed: pip install 'knurlsight[postgres]'"
    )
    try:
        with server() as url:
            yield url
    except NoServerError as e:
        pytest.skip(str(e))


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request, tmp_path):
    if request.param == "sqlite":
        return str(tmp_path / "store")
    url = request.getfixturevalue("postgres")
    engine = sa.create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.exec_driver_sql("DROP SCHEMA public CASCADE")
        connection.exec_driver_sql("CREATE SCHEMA public")
    engine.dispose()
    (tmp_path / "photos").mkdir()
    return f"{url}&photos={tmp_path / 'photos'}"


@pytest.fixture
def store(place):
    with open_store(place, create=True) as opened:
        yield opened


RESULTS = {name: json.loads(json_text(result_of(made))) for name, made in made_records.verdicts().items()}


def kept(store: Store, number: str, result: str = "pass", seed: int = 0, **more):
    made, picture = inspection(RESULTS[result], random.Random(seed))
    return attach(store, number, made, [picture], **more)


def test_a_record_comes_back_as_it_was_written(store):
    opened = new_job(store, "2041", facts_from(JobFacts, {"part": "Knopf Ø20 (invented)", "due": "2026-12-01"}))
    add_operation(store, "2041", "30", facts_from(OperationFacts, {"machine": "small lathe"}))
    bench = facts_from(
        BenchFacts, {"serial": "7", "dial": ["0.3mm", "0.01in"], "rolled": "W1:340", "place": "first-off"}
    )
    signed = Signature("turner", "2026-03-02T09:15:00.000Z", "+01:00 CET")
    drawn = Picture("drawn.png", made_records.png())
    made, picture = inspection(RESULTS["fail"], random.Random(1))
    attached = attach(store, "2041", made, [picture], drawn, op="30", bench=bench, note="a\nb", signed=signed)
    written = entries(store, "2041")
    assert [e.kind for e in written] == ["job", "operation", "inspection"]
    assert written[0] == opened
    assert written[2] == attached
    assert (attached.who, attached.at, attached.zone) == ("turner", "2026-03-02T09:15:00.000Z", "+01:00 CET")
    assert attached.body["result"] == made
    assert attached.body["bench"] == {
        "serial": "7",
        "place": "first-off",
        "dial_readings_mm": [0.3, 0.254],
        "wheels_rolled": {"W1": 340},
    }
    assert [p["role"] for p in attached.body["photos"]] == ["photo", "annotated"]
    for kept_picture in (picture, drawn):
        assert photo(store, kept_picture.sha256).read_bytes() == kept_picture.data
    assert head(store, "2041") == attached.hash
    assert verify(store).faults == ()


def test_each_entry_carries_the_hash_of_the_one_before_it(store):
    new_job(store, "1")
    for n in range(3):
        add_note(store, "1", f"note {n}")
    written = entries(store, "1")
    assert [e.previous for e in written] == ["", *(e.hash for e in written[:-1])]


def test_the_same_photo_is_kept_once(store):
    new_job(store, "1")
    first, second = kept(store, "1", seed=3), kept(store, "1", seed=3)
    assert first.body["photos"] == second.body["photos"]
    assert len([p for p in store.photos.rglob("*") if p.is_file()]) == 1
    assert statistics(store).photos == 1


def test_corrections_change_how_it_reads_and_not_what_was_written(store):
    new_job(store, "1", JobFacts(part="knob", quantity=40))
    seen = kept(store, "1", "fail")
    before = entries(store, "1")
    correct(store, "1", 1, CorrectionFacts(values={"quantity": "50"}, why="customer raised it"))
    correct(store, "1", seen.number, CorrectionFacts(withdrawn=True, why="another part"))
    after = entries(store, "1")
    assert after[: len(before)] == before
    assert (job(store, "1").facts.quantity, job(store, "1").facts.part) == (50, "knob")
    assert job(store, "1").inspections == 0
    assert jobs(store).jobs[0].inspections == 0
    # a correction can be taken back by another
    correct(store, "1", after[-1].number, CorrectionFacts(withdrawn=True, why="it was this part"))
    assert not as_corrected(entries(store, "1"))[1].withdrawn
    assert dict(jobs(store).jobs[0].verdicts) == {"fail": 1}
    assert job(store, "1").verdicts == jobs(store).jobs[0].verdicts


def test_wheels_are_things_of_their_own(store):
    add_wheel_facts(store, "W 1", facts_from(WheelFacts, {"diameter": "15.02mm", "teeth": "47", "parts_rolled": "0"}))
    add_wheel_facts(store, "W 1", facts_from(WheelFacts, {"parts_rolled": "340"}))
    assert wheels(store) == ("W 1",)
    assert [e.body for e in entries(store, Book("wheel", "W 1"))] == [
        {"diameter_mm": 15.02, "teeth": 47, "parts_rolled": 0},
        {"parts_rolled": 340},
    ]


def test_everything_is_found_by_its_words(store):
    new_job(store, "A", JobFacts(part="lever 7 (invented)", customer="Mill Lane"))
    new_job(store, "B", JobFacts(part="sleeve"))
    passed = kept(store, "A", "pass", 1, bench=BenchFacts(wheels_rolled={"W-1 left": 3}))
    failed = kept(store, "A", "fail", 2, signed=Signature("turner", "2026-03-02T23:59:59.999Z", "+00:00"))
    other = kept(store, "B", "fail", 3, note="burr at the shoulder")
    dispose(store, "A", DispositionFacts(decision="scrap", why="pitch", about=failed.number))

    def numbers(**wanted: str) -> list[tuple[str, int]]:
        return sorted((line.job, line.number) for line in find(store, Wanted(**wanted)).lines)

    assert numbers(verdict="fail") == [("A", failed.number), ("B", other.number)]
    assert numbers(verdict="Cannot tell") == []
    assert numbers(part="lever", verdict="fail") == [("A", failed.number)]
    assert numbers(part="sleeve") == [("B", 1), ("B", other.number)]
    assert numbers(wheel="w-1 LEFT") == [("A", passed.number)]
    assert numbers(wheel="W-1") == numbers(wheel="left") == numbers(wheel="W-1 l%t") == numbers(wheel="W_1 left") == []
    assert numbers(fault="pitch") == [("A", failed.number), ("B", other.number)]
    assert numbers(words="burr should") == [("B", other.number)]
    assert numbers(words="mill") == [("A", 1)]
    assert numbers(since="2026-03-02", until="2026-03-02") == [("A", failed.number)]
    assert numbers(until="2026-03-01") == []
    assert numbers(verdict="scrap") == [("A", 5 - 1)]
    found = find(store, Wanted(verdict="fail"), limit=1)
    assert (len(found.lines), found.total) == (1, 2)
    # nothing that is typed is read as a query language
    for odd in (
        '"',
        "a OR b",
        "burr*",
        "%",
        "_",
        "NEAR(a b)",
        "part:knob",
        "'; DROP TABLE entry;--",
        "-burr",
        "^a",
        "\\",
    ):
        try:
            find(store, Wanted(words=odd, part=odd, wheel=odd, fault=odd))
        except RecordError as e:
            assert "nothing to look for" in e.message
    assert verify(store).faults == ()


def test_jobs_are_listed_by_their_last_entry(store):
    for number in ("1", "2", "3"):
        new_job(store, number)
    add_note(store, "1", "again")
    assert jobs(store).jobs[0].number == "1"
    listed = jobs(store, limit=2)
    assert (len(listed.jobs), listed.total) == (2, 3)


@pytest.mark.parametrize(
    "wrong",
    [
        "../2041",
        "..",
        "20/41",
        "20\\41",
        "a'b",
        'a"b',
        "a\nb",
        "a\0b",
        "",
        " ",
        "x" * 10_000,
        "a..b",
        "\udcff",
        "-rf",
        "a;b",
    ],
)
def test_a_job_number_that_is_none_is_refused_in_one_line(store, wrong):
    for ask in (lambda: new_job(store, wrong), lambda: head(store, wrong), lambda: add_note(store, wrong, "x")):
        with pytest.raises(RecordError, match=r"^job number .*") as e:
            ask()
        assert "\n" not in e.value.message
        assert len(e.value.message) < 200
    assert jobs(store).total == 0


@pytest.mark.parametrize("number", ["2041", "WO 2041-A", "Ä7", "a.b_c+d#e", "x" * 40])
def test_a_job_number_of_ordinary_kind_is_taken(store, number):
    assert new_job(store, number).book.name == number


def test_what_cannot_be_kept_is_refused_and_leaves_nothing(store):
    new_job(store, "1", JobFacts(part="knob"))
    made, picture = inspection(RESULTS["pass"], random.Random(0))
    other = Picture("other.jpg", b"other")
    refused = {
        "another photo": lambda: attach(store, "1", made, [other]),
        "a photo too few": lambda: attach(store, "1", made, []),
        "no result": lambda: attach(store, "1", {"photos": []}, []),
        "no number": lambda: attach(
            store, "1", {**made, "setup": {"content_hash": "a", "content": {"x": float("nan")}}}, [picture]
        ),
        "odd setup": lambda: attach(
            store, "1", {**made, "setup": {"content_hash": "a", "content": {"part": 3}}}, [picture]
        ),
        "no job": lambda: attach(store, "2", made, [picture]),
        "no entry": lambda: add_note(store, "1", "x", about=10**30),
        "no inspection": lambda: dispose(store, "1", DispositionFacts(decision="accept", about=1)),
        "no reason": lambda: dispose(store, "1", DispositionFacts(decision="scrap")),
        "job twice": lambda: new_job(store, "1"),
        "nothing to correct": lambda: correct(store, "1", 1, CorrectionFacts(why="x")),
        "unknown value": lambda: correct(store, "1", 1, CorrectionFacts(values={"colour": "red"}, why="x")),
        "empty note": lambda: add_note(store, "1", " \n"),
        "control characters": lambda: add_note(store, "1", "a\x1b[2J"),
        "long note": lambda: add_note(store, "1", "x" * 20_001),
        "two lines of op": lambda: add_operation(store, "1", "a\nb", OperationFacts()),
    }
    for what, ask in refused.items():
        with pytest.raises(KnurlsightError) as e:
            ask()
        assert len(e.value.message) < 400, what
    assert len(entries(store, "1")) == 1
    assert [p for p in store.photos.rglob("*") if p.is_file()] == []
    assert verify(store).faults == ()


def test_a_job_is_taken_over_whole_or_not_at_all(store, tmp_path):
    new_job(store, "1", JobFacts(part="knob"))
    kept(store, "1", "three parts", 5)
    kept(store, "1", "not readable", 6)
    correct(store, "1", 2, CorrectionFacts(values={"serial": "3"}, why="read again"))
    written = entries(store, "1")
    pictures = [
        Picture(p["name"], photo(store, p["sha256"]).read_bytes()) for e in written for p in e.body.get("photos", ())
    ]
    sent = json.loads(json.dumps([entry_document(e) for e in written]))
    came = [entry_from_document(written[0].book, document) for document in sent]
    with open_store(tmp_path / "other", create=True) as other:
        changed = entry_from_document(written[0].book, {**sent[1], "who": "somebody else"})
        for wrong in (
            lambda: restore_book(other, [came[0], changed, *came[2:]], pictures),
            lambda: restore_book(other, came[1:], pictures),
            lambda: restore_book(other, came, pictures[1:]),
            lambda: restore_book(other, came, [*pictures, Picture("x", b"x")]),
            lambda: restore_book(other, [], []),
        ):
            with pytest.raises(RecordError):
                wrong()
        assert jobs(other).total == 0
        restore_book(other, came, pictures)
        assert entries(other, "1") == written
        assert verify(other).faults == ()
        with pytest.raises(RecordError, match="already"):
            restore_book(other, came, pictures)


def test_the_migrations_make_the_tables_that_the_code_knows(store):
    config_head = ScriptDirectory(str(Path(migrate.__file__).parent / "migrations")).get_current_head()
    assert config_head == tables.HEAD
    with store.reading() as connection:
        assert migrate.stored_version(connection) == tables.HEAD
        context = MigrationContext.configure(
            connection, opts={"include_name": lambda name, kind, _: kind != "table" or name in ("book", "entry")}
        )
        assert compare_metadata(context, tables.metadata) == []


def test_entries_cannot_be_changed_or_deleted_by_accident(store):
    new_job(store, "1")
    for statement in (sa.update(tables.entry).values(who="x"), sa.delete(tables.entry), sa.delete(tables.book)):
        with pytest.raises(KnurlsightError, match="never changed"), store.writing() as connection:
            connection.execute(statement)
    assert verify(store).faults == ()


def test_writers_to_one_job_do_not_lose_an_entry(place):
    with open_store(place, create=True) as store:
        new_job(store, "1")
        errors = []

        def write(n: int) -> None:
            try:
                for k in range(5):
                    add_note(store, "1", f"{n} {k}")
            except Exception as e:
                errors.append(e)

        threads = [threading.Thread(target=write, args=(n,)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert errors == []
        texts = {e.body["text"] for e in entries(store, "1")[1:]}
        assert texts == {f"{n} {k}" for n in range(4) for k in range(5)}
        assert verify(store).faults == ()


def test_a_store_made_by_two_at_once_is_one_store(place):
    errors = []

    def make(n: int) -> None:
        try:
            with open_store(place, create=True) as store:
                new_job(store, str(n))
        except Exception as e:
            errors.append(e)

    threads = [threading.Thread(target=make, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    with open_store(place) as store:
        assert sorted(j.number for j in jobs(store).jobs) == ["0", "1", "2", "3"]


def test_a_job_is_found_by_the_part_of_its_setup(store):
    new_job(store, "1")
    attached = kept(store, "1", "pass")
    name = attached.body["result"]["setup"]["content"]["part"]["name"]
    assert find(store, Wanted(part=name)).total == 2
    assert find(store, Wanted(part=name + " x")).total == 0


def test_inspections_are_collected_as_corrections_leave_them(store):
    new_job(store, "A", JobFacts(material="brass"))
    new_job(store, "B")
    times = [Signature("turner", f"2026-03-0{day}T09:00:00.000Z", "+00:00") for day in (3, 1, 2)]
    rolled = BenchFacts(wheels_rolled={"W1": 10})
    last = kept(store, "A", "pass", 1, bench=rolled, signed=times[0])
    first = kept(store, "B", "fail", 2, bench=rolled, signed=times[1])
    kept(store, "A", "fail", 3, bench=BenchFacts(wheels_rolled={"W12": 10}))
    wrong = kept(store, "B", "fail", 4, bench=rolled, signed=times[2])
    correct(store, "B", wrong.number, CorrectionFacts(withdrawn=True, why="another wheel"))
    correct(store, "A", last.number, CorrectionFacts(values={"rolled": ["W1:99"]}, why="misread"))
    found = inspections(store, Wanted(wheel="W1"))
    assert [(c.entry.book.name, c.entry.number) for c in found] == [("B", first.number), ("A", last.number)]
    assert [c.entry.body["bench"]["wheels_rolled"]["W1"] for c in found] == [10, 99]
    assert found[1].job.material == "brass"


@pytest.mark.parametrize(
    ("kind", "body", "words"),
    [
        ("note", {}, "x"),
        ("note", {"text": 5}, "x"),
        ("note", {"text": "a\x1b]0;title\x07"}, "x"),
        ("note", {"text": "fine"}, "a\x1b[2J"),
        ("note", {"text": "fine", "about": "1"}, "x"),
        ("correction", {"about": 1}, "x"),
        ("correction", {"about": 1, "values": [], "withdrawn": False, "why": "x"}, "x"),
        ("correction", {"about": 1, "values": {"quantity": "lots"}, "withdrawn": False, "why": "x"}, "x"),
        ("correction", {"about": 2, "values": {"quantity": 3}, "withdrawn": False, "why": "x"}, "x"),
        ("disposition", {"decision": "burn"}, "burn"),
        ("operation", {"setup": {"content": {"part": 5}}}, "x"),
        ("operation", {"setup": {"content": {"wheel": [5]}}}, "x"),
        ("inspection", {"result": {}, "photos": [], "bench": {}, "note": ""}, "x"),
        ("inspection", {"photos": [{"sha256": "../../x", "name": "a", "bytes": 1, "role": "photo"}]}, "x"),
        ("anything", {}, "x"),
    ],
)
def test_a_record_from_elsewhere_with_a_right_chain_and_wrong_content_is_refused(store, kind, body, words):
    at = Book("job", "1")
    signed = ("turner", "2026-03-02T09:15:00.000Z", "+01:00 CET")
    opened = chained(at, 1, "", "job", signed, {"part": "knob"}, words="opened")
    made = chained(at, 2, opened.hash, kind, signed, body, words=words)
    with pytest.raises(RecordError):
        restore_book(store, [opened, made], [])
    assert jobs(store).total == 0
    restore_book(store, [opened], [])
    assert job(store, "1").facts.part == "knob"


@pytest.mark.parametrize("name", ["../1", "1\n", "x" * 41])
def test_a_book_from_elsewhere_with_a_name_that_is_none_is_refused(store, name):
    at = Book("job", name)
    opened = chained(at, 1, "", "job", ("a", "b", "c"), {}, words="opened")
    with pytest.raises(RecordError):
        restore_book(store, [opened], [])
    assert jobs(store).total == 0
