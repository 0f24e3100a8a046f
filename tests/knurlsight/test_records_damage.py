"""What `job verify` finds: every changed value, every flipped bit, every photo that is gone or has rotted."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import made_records
import pytest
from knurlsight.cli import run
from knurlsight.errors import RecordError, StoreError
from knurlsight.records.backup import back_up
from knurlsight.records.facts import CorrectionFacts, DispositionFacts, JobFacts, OperationFacts, WheelFacts
from knurlsight.records.place import DATABASE_FILE
from knurlsight.records.read import entries, head
from knurlsight.records.store import open_store
from knurlsight.records.verify import Verification, verify
from knurlsight.records.write import add_note, add_operation, add_wheel_facts, attach, correct, dispose, new_job
from knurlsight.result import json_text, result_of
from record_writer import inspection

TABLES = {
    "book": ("id", "kind", "name"),
    "entry": (
        *("id", "book_id", "number", "kind", "op", "who", "at", "zone"),
        *("verdict", "words", "body", "previous", "hash"),
    ),
    "search": ("rowid", "part", "wheel", "fault", "words"),
}


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A store with entries of every kind, closed."""
    folder = tmp_path_factory.mktemp("whole") / "store"
    with open_store(folder, create=True) as store:
        for number in ("1", "2"):
            new_job(store, number, JobFacts(part="knob (invented)"))
            add_operation(store, number, "30", OperationFacts(machine="small lathe"))
            for n, made in enumerate(made_records.verdicts().values()):
                result, photo = inspection(json.loads(json_text(result_of(made))), random.Random(n))
                attach(store, number, result, [photo], op="30")
            add_note(store, number, "a note", about=3)
            dispose(store, number, DispositionFacts(decision="scrap", why="pitch", about=3))
            correct(store, number, 1, CorrectionFacts(values={"quantity": "3"}, why="counted"))
        add_wheel_facts(store, "W1", WheelFacts(teeth=47))
        assert verify(store).faults == ()
    return folder


@pytest.fixture
def folder(whole, tmp_path):
    return Path(shutil.copytree(whole, tmp_path / "store"))


def seen(folder: Path) -> Verification | StoreError:
    try:
        with open_store(folder) as store:
            return verify(store)
    except StoreError as e:
        return e


def is_found(folder: Path) -> bool:
    found = seen(folder)
    return isinstance(found, StoreError) or bool(found.faults)


def change(folder: Path, *statements: str) -> None:
    """Change the database behind the store's back."""
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection, connection:
        for name in [r[0] for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)


@pytest.mark.parametrize(("table", "column"), [(t, c) for t, columns in TABLES.items() for c in columns])
def test_a_flipped_bit_in_any_column_of_any_row_is_found(folder, table, column):
    rng = random.Random(f"{table} {column}")
    key = "rowid" if table == "search" else "id"
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
        rows = connection.execute(f"SELECT {key}, {column} FROM {table}").fetchall()
    rows = [row for row in rows if row[1] != ""]
    rng.shuffle(rows)
    for number, (row, value) in enumerate(rows[:6]):
        if isinstance(value, int):
            flipped = str(value ^ (1 << rng.randrange(5, 12)))
        else:
            text = bytearray(value.encode())
            place = rng.choice([i for i, byte in enumerate(text) if byte < 128 and byte ^ 1 not in b"\0'"])
            text[place] ^= 1
            flipped = "'" + text.decode().replace("'", "''") + "'"
        copy = Path(shutil.copytree(folder, folder.with_name(f"{column}{number}")))
        change(copy, "PRAGMA foreign_keys = OFF", f"UPDATE {table} SET {column} = {flipped} WHERE {key} = {row}")
        assert is_found(copy), (row, value)
        shutil.rmtree(copy)


def content(folder: Path) -> list[str] | None:
    """All that the database says, as far as it can still be read."""
    try:
        with closing(sqlite3.connect(f"file:{folder / DATABASE_FILE}?mode=ro", uri=True)) as connection:
            connection.text_factory = bytes
            return [
                repr(row)
                for table, columns in TABLES.items()
                for row in connection.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY 1")
            ]
    except (sqlite3.Error, OverflowError):
        return None


def test_a_bit_that_flips_anywhere_in_the_file_is_found_where_it_changes_anything(folder):
    rng = random.Random(20260302)
    file = folder / DATABASE_FILE
    data = file.read_bytes()
    was = content(folder)
    changed = 0
    for _ in range(60):
        flipped = bytearray(data)
        flipped[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        file.write_bytes(flipped)
        if content(folder) != was:
            changed += 1
            assert is_found(folder)
        else:  # free space or a hint of the file's own: nothing of the record has changed, and nothing may break
            seen(folder)
        for rest in folder.glob(DATABASE_FILE + "-*"):
            rest.unlink()
    assert changed >= 15


def test_a_photo_that_has_rotted_shrunk_or_gone_is_named(folder):
    photos = sorted(p for p in (folder / "photos").rglob("*") if p.is_file())
    assert len(photos) >= 3
    rotted, shrunk, gone = photos[:3]
    data = bytearray(rotted.read_bytes())
    data[len(data) // 2] ^= 0x10
    for path, text in ((rotted, bytes(data)), (shrunk, shrunk.read_bytes()[:-1])):
        path.chmod(0o600)
        path.write_bytes(text)
    gone.unlink()
    found = seen(folder)
    assert isinstance(found, Verification)
    for path, words in ((rotted, "rotted"), (shrunk, "bytes instead of"), (gone, "is gone")):
        faults = [f for f in found.faults if path.name in f]
        assert len(faults) == 1
        assert words in faults[0]
        assert "entry" in faults[0]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET verdict = 'pass' WHERE book_id = 1 AND verdict = 'fail'",
        "UPDATE entry SET body = replace(body, '\"photos\"', '\"phot0s\"') WHERE book_id = 1",
        "UPDATE entry SET body = '[]' WHERE book_id = 1 AND number = 3",
        "UPDATE entry SET body = substr(body, 2) WHERE book_id = 1",
        "DELETE FROM entry WHERE book_id = 1 AND number = 5",
    ],
)
def test_what_was_changed_is_not_shown_as_if_it_were_true(folder, capsys, statement):
    change(folder, statement)
    for command in (["show", "1"], ["verify", "1"], ["list"], ["find", "knob"], ["stats"]):
        status = run(["job", *command, "--store", str(folder)])
        said = capsys.readouterr()
        assert status == {"show": 2, "verify": 1}.get(command[0], 0), command
        assert "Traceback" not in said.err
        if command[0] == "show":
            assert said.out == ""
            assert "changed since" in said.err or "missing" in said.err
    assert run(["job", "show", "2", "--store", str(folder)]) == 0  # one bad job costs no other


def test_the_list_marks_a_job_whose_facts_were_changed(folder, capsys):
    change(folder, 'UPDATE entry SET body = \'{"part":"other"}\' WHERE book_id = 1 AND number = 1')
    assert run(["job", "list", "--store", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "DAMAGED: job verify 1" in said
    assert "knob (invented)" in said


def test_a_backup_made_while_others_write_is_whole(folder, tmp_path):
    errors = []

    def write() -> None:
        try:
            with open_store(folder) as store:
                for seed in range(30):
                    result, photo = inspection(json.loads(text), random.Random(seed))
                    attach(store, "1", result, [photo])
        except Exception as e:
            errors.append(e)

    text = json_text(result_of(made_records.verdicts()["pass"]))
    writer = threading.Thread(target=write)
    writer.start()
    counts = []
    with open_store(folder) as store:
        for _ in range(4):
            back_up(store, tmp_path / "copy")
            with open_store(tmp_path / "copy") as copy:
                assert verify(copy).faults == ()
                counts.append(len(entries(copy, "1")))
    writer.join()
    assert errors == []
    assert counts == sorted(counts)


def test_entries_taken_out_of_the_middle_or_swapped_are_named(folder):
    change(folder, "DELETE FROM entry WHERE number = 4 AND book_id = 1", "DELETE FROM search WHERE rowid = 4")
    assert "job 1: entry 4 missing" in seen(folder).faults
    assert not any("job 2" in fault for fault in seen(folder).faults)


def test_a_tail_that_was_cut_off_shows_only_against_a_head_that_was_kept(folder):
    with open_store(folder) as store:
        kept, number = head(store, "1"), len(entries(store, "1"))
        earlier = entries(store, "1")[2].hash
        assert verify(store, "1", kept).faults == ()
        assert verify(store, "1", earlier[:12].upper()).faults == ()
    last = f"(SELECT id FROM entry WHERE book_id = 1 AND number = {number})"
    change(folder, f"DELETE FROM search WHERE rowid = {last}", f"DELETE FROM entry WHERE id = {last}")
    with open_store(folder) as store:
        assert verify(store, "1").faults == ()
        assert verify(store).faults == ()
        cut = verify(store, "1", kept)
        assert len(cut.faults) == 1
        assert "cut off" in cut.faults[0]
        assert verify(store, "1", earlier).faults == ()
        with pytest.raises(RecordError, match="belongs to one job"):
            verify(store, None, kept)
        with pytest.raises(RecordError, match="hexadecimal"):
            verify(store, "1", "xyz")


def test_a_stray_photo_is_a_remark_and_stays(folder):
    stray = folder / "photos" / "ab" / ("ab" + "0" * 62)
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"left over")
    found = seen(folder)
    assert found.faults == ()
    assert len(found.remarks) == 1
    assert stray.exists()
