"""Pictures that say what they show, and photos without place and owner; pixels stay as they are."""

from __future__ import annotations

import struct
from dataclasses import replace
from io import BytesIO

import cv2
import made_records
import numpy as np
import pytest
from knurlsight.errors import ExchangeError
from knurlsight.exchange import jpeg_segments
from knurlsight.exchange.picture_note import note_of, read_note, with_note
from knurlsight.exchange.strip_place import stripped
from PIL import Image, PngImagePlugin

CASES = made_records.verdicts()
PICTURES = {"jpg": made_records.jpeg(), "png": made_records.png()}
#: Invented, and searched for afterwards.
OWNER, PLACE, SERIAL = "Invented Owner", "Invented Place", "SN-INVENTED-77"


def pixels(data: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)


def with_everything(kind: str, *, progressive: bool = False) -> bytes:
    """A photo with a position, names, serial numbers, a maker's note, a thumbnail, XMP, a comment and a film behind."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Generic", "Generic Phone", 6
    exif[0x013B], exif[0x8298], exif[0x010E] = OWNER, OWNER, PLACE
    exif.get_ifd(0x8769).update(
        {0x920A: 5.5, 0xA405: 26, 0x9003: "2026:03:02 09:15:00", 0x927C: b"maker " + PLACE.encode(), 0xA430: OWNER}
        | {0xA431: SERIAL, 0x9286: b"ASCII\x00\x00\x00" + PLACE.encode()}
    )
    exif.get_ifd(0x8825).update({1: "N", 2: (12.0, 34.0, 56.0), 3: "E", 4: (1.0, 2.0, 3.0), 27: PLACE.encode()})
    image = Image.open(BytesIO(PICTURES["jpg"]))
    out = BytesIO()
    if kind == "png":
        text = PngImagePlugin.PngInfo()
        text.add_text("Author", OWNER)
        text.add_itxt("XML:com.adobe.xmp", f"<x>{PLACE}</x>")
        image.save(out, "PNG", exif=exif, pnginfo=text)
        return out.getvalue() + PLACE.encode()
    image.save(
        out, "JPEG", exif=exif, xmp=f"<x>{PLACE}</x>".encode(), comment=OWNER, progressive=progressive, quality=90
    )
    return out.getvalue() + made_records.jpeg(seed=5) + PLACE.encode()


@pytest.mark.parametrize("kind", PICTURES)
@pytest.mark.parametrize("case", CASES)
def test_a_note_is_read_back_equal_and_no_pixel_is_touched(kind, case):
    note = note_of(made_records.handed_on(CASES[case]))
    picture = with_note(PICTURES[kind], note)
    assert read_note(picture, "p") == note
    assert np.array_equal(pixels(picture), pixels(PICTURES[kind]))
    assert with_note(picture, note) == picture


@pytest.mark.parametrize("kind", PICTURES)
def test_other_programs_see_a_description(kind):
    done = made_records.handed_on(CASES["fail"])
    with Image.open(BytesIO(with_note(PICTURES[kind], note_of(done)))) as opened:
        opened.load()
        words = opened.getexif()[0x010E]
        packet = opened.info["xmp"]
    assert words.startswith("knurl FAIL; invented knob; job J-17 (invented); op 30; normal pitch")
    assert "1.200 +- 0.007 mm" in words
    assert words.isascii()
    assert "1.200 ± 0.007 mm" in packet.decode()


def test_a_note_names_job_figures_and_record_but_nobody():
    done = made_records.handed_on(CASES["pass"], who="a very private name")
    picture = with_note(PICTURES["jpg"], note_of(done))
    note = read_note(picture, "p")
    assert (note.job, note.record_hash, note.verdict) == (done.job, done.record_hash, "pass")
    pitch = dict(note.parts[0].figures)["normal pitch of the right-hand family"]
    assert (pitch.value, pitch.u, pitch.unit) == (1.0, 0.003, "mm")
    assert b"private" not in picture


def test_odd_words_survive():
    odd = replace(
        note_of(made_records.handed_on(CASES["pass"])), job="20<41>&\"'../\n\u00fc\u6f22", title="]]> <!-- x -->"
    )
    for picture in PICTURES.values():
        assert read_note(with_note(picture, odd), "p") == odd


def test_a_tray_of_hundreds_still_fits():
    note = note_of(made_records.handed_on(CASES["three parts"]))
    many = replace(note, parts=tuple(replace(p, figures=()) for p in note.parts) * 66, part_count=198)
    assert read_note(with_note(PICTURES["jpg"], many), "p") == many


@pytest.mark.parametrize(
    "data", [b"", b"plain text", b"\xff\xd8\xff", made_records.jpeg()[:300], made_records.png()[:60]]
)
def test_what_is_no_picture_is_refused(data):
    with pytest.raises(ExchangeError):
        with_note(data, note_of(made_records.handed_on(CASES["pass"])))
    with pytest.raises(ExchangeError, match=r"^x\.jpg: "):
        read_note(data, "x.jpg")


@pytest.mark.parametrize("kind", PICTURES)
def test_a_picture_without_a_note_says_so(kind):
    with pytest.raises(ExchangeError, match="says nothing of an inspection"):
        read_note(PICTURES[kind], "x")


def test_a_note_with_entities_is_refused():
    note = note_of(made_records.handed_on(CASES["pass"]))
    evil = with_note(PICTURES["png"], note)
    out = BytesIO()
    text = PngImagePlugin.PngInfo()
    text.add_itxt("XML:com.adobe.xmp", '<!DOCTYPE x [<!ENTITY a "aaaa">]><x>&a;</x>')
    Image.open(BytesIO(evil)).save(out, "PNG", pnginfo=text)
    with pytest.raises(ExchangeError, match="DOCTYPE"):
        read_note(out.getvalue(), "x")


@pytest.mark.parametrize(("kind", "progressive"), [("jpg", False), ("jpg", True), ("png", False)])
def test_place_and_owner_are_gone_and_the_picture_is_the_same(kind, progressive):
    original = with_everything(kind, progressive=progressive)
    assert original.count(PLACE.encode()) >= 3 and OWNER.encode() in original
    clean = stripped(original, "x")
    for secret in (OWNER, PLACE, SERIAL):
        assert secret.encode() not in clean
    with Image.open(BytesIO(clean)) as opened:
        exif = opened.getexif()
        assert not exif.get_ifd(0x8825) and "xmp" not in opened.info
        # what a scale is weighed with stays
        inner = exif.get_ifd(0x8769)
        assert (exif[0x0112], inner[0x920A], inner[0xA405], inner[0x9003]) == (6, 5.5, 26, "2026:03:02 09:15:00")
    assert np.array_equal(pixels(clean), pixels(original))
    assert stripped(clean, "x") == clean


@pytest.mark.parametrize("kind", PICTURES)
def test_a_photo_with_nothing_to_hide_stays_the_same_file(kind):
    assert stripped(PICTURES[kind], "x") == PICTURES[kind]


def test_fixture_photos_have_nothing_to_hide(request):
    for path in sorted((request.config.rootpath / "fixtures").glob("*.jpg")):
        assert stripped(path.read_bytes(), path.name) == path.read_bytes()


def test_a_thumbnail_hidden_in_exif_goes():
    tiff = b"II*\x00" + struct.pack("<IH", 8, 1) + struct.pack("<HHII", 0x0112, 3, 1, 6) + struct.pack("<I", 0)
    hidden = b"Exif\x00\x00" + tiff + b"\xff\xd8" + PLACE.encode()
    segments = jpeg_segments.segments(PICTURES["jpg"], "x")
    photo = jpeg_segments.joined((segments[0], jpeg_segments.Segment(0xE1, hidden), *segments[1:]))
    clean = stripped(photo, "x")
    assert PLACE.encode() not in clean
    assert Image.open(BytesIO(clean)).getexif()[0x0112] == 6


def test_damaged_exif_is_dropped():
    segments = jpeg_segments.segments(PICTURES["jpg"], "x")
    bad = jpeg_segments.Segment(0xE1, b"Exif\x00\x00" + b"garbage " + PLACE.encode())
    assert stripped(jpeg_segments.joined((*segments[:1], bad, *segments[1:])), "x") == PICTURES["jpg"]


@pytest.mark.parametrize("data", [b"", b"RIFF0000WEBP", b"II*\x00", made_records.jpeg()[:-2], made_records.png()[:-20]])
def test_what_cannot_be_stripped_is_refused(data):
    with pytest.raises(ExchangeError, match=r"^x\.y: "):
        stripped(data, "x.y")
