"""Bad input: one line that names the file, the fault and the cure; exit status 2; nothing half-written."""

from __future__ import annotations

import io
import os
import struct
import zlib
from pathlib import Path

import made_patterns as made
import numpy as np
import pytest
from knurlsight import cli, inspection
from PIL import Image

FIXTURES = Path(__file__).parents[2] / "fixtures"
PHOTO = FIXTURES / "diamond_rule.jpg"
SMALL = (np.arange(300 * 400).reshape(300, 400) % 251).astype(np.uint8)


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    file = io.BytesIO()
    image.save(file, kind, **options)
    return file.getvalue()


def png_header(width: int, height: int) -> bytes:
    """A PNG that says it is large and holds next to nothing."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")


def run(words: list[object], capsys) -> tuple[int, list[str]]:
    status = cli.run([str(w) for w in words])
    return status, capsys.readouterr().err.splitlines()


UNREADABLE = {
    "missing.jpg": (None, "no such file"),
    "empty.jpg": (b"", "is empty"),
    "text.jpg": (b"this is no photo, it is a letter\n" * 20, "not a photo"),
    "cut.jpg": (PHOTO.read_bytes()[:20000], "cut short"),
    "dot.png": (encoded(Image.new("L", (1, 1)), "PNG"), "1 x 1 px"),
    "huge.png": (png_header(20000, 20000), "150 million"),
    "film.gif": (
        encoded(
            Image.fromarray(SMALL),
            "GIF",
            save_all=True,
            append_images=[Image.fromarray(SMALL[::-1]), Image.fromarray(SMALL)],
        ),
        "animation",
    ),
    "damaged.heic": (b"\0\0\0\x18ftypheic" + b"\0" * 200, "HEIC|damaged"),
    # ends within the box that says where its pixels are
    "cut.heic": (
        b"\0\0\0\x18ftypheic\0\0\0\0mif1heic\0\0\x01\x8dmeta\0\0\0\0\0\0\0\x21hdlr" + b"\0" * 4 + b"pict",
        "HEIC|damaged",
    ),
}


@pytest.mark.parametrize("name", UNREADABLE)
def test_a_photo_that_cannot_be_read(name, tmp_path, capsys):
    data, words = UNREADABLE[name]
    photo = tmp_path / name
    if data is not None:
        photo.write_bytes(data)
    out = tmp_path / "r.json"
    status, lines = run(["inspect", photo, "--json", out, "--report", tmp_path / "r.html"], capsys)
    assert status == 2
    assert len(lines) == 2 and lines[0].startswith(f"error: {photo}: ") and lines[1].startswith("hint: ")
    assert any(w in lines[0] + lines[1] for w in words.split("|"))
    assert {p.name for p in tmp_path.iterdir()} <= {name}


def test_a_folder_is_not_a_photo(tmp_path, capsys):
    status, lines = run(["inspect", tmp_path], capsys)
    assert status == 2 and "is a folder" in lines[0] and "batch" in lines[1]


READABLE = {
    "grey.png": encoded(Image.fromarray(SMALL), "PNG"),
    "sixteen.png": encoded(Image.fromarray(SMALL.astype(np.uint16) * 256), "PNG"),
    "rgba.png": encoded(Image.fromarray(np.dstack([SMALL] * 4)), "PNG"),
    "palette.png": encoded(Image.fromarray(SMALL).convert("P"), "PNG"),
    "cmyk.jpg": encoded(Image.fromarray(np.dstack([SMALL] * 3)).convert("CMYK"), "JPEG"),
    "grey.jpg": encoded(Image.fromarray(SMALL), "JPEG"),
    "photo.tif": encoded(Image.fromarray(SMALL), "TIFF"),
    "photo.webp": encoded(Image.fromarray(SMALL), "WEBP"),
}


@pytest.mark.parametrize("name", READABLE)
def test_an_unusual_photo_is_read_and_answered(name, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: ())
    photo = tmp_path / name
    photo.write_bytes(READABLE[name])
    picture = tmp_path / "r.png"
    status, lines = run(["inspect", photo, "--scale", "od:20mm", "--picture", picture], capsys)
    assert status == 3 and picture.stat().st_size > 1000
    assert not any(line.startswith("error") for line in lines)


SETUPS = {
    "not toml": ("[part\nname = 3", "not TOML"),
    "unknown key": (made.SETUP.replace("helix =", "helics ="), "helix"),
    "unit": (made.SETUP.replace('"20 mm"', '"20 cubits"'), "cubits"),
    "crest below blank": (made.SETUP.replace("[pattern]", 'blank_diameter = "21 mm"\n[pattern]'), "blank_diameter"),
    "empty": ("", "pattern"),
}


@pytest.mark.parametrize("name", SETUPS)
def test_a_setup_that_cannot_be_used(name, tmp_path, capsys):
    text, words = SETUPS[name]
    setup = tmp_path / "s.toml"
    setup.write_text(text)
    out = tmp_path / "r.json"
    status, lines = run(["inspect", PHOTO, "--setup", setup, "--json", out], capsys)
    assert status == 2 and not out.exists()
    assert all(line.startswith(("error: ", "hint: ")) for line in lines)
    assert str(setup) in lines[0] and any(words in line for line in lines)


def test_all_faults_of_a_setup_are_told_together(tmp_path, capsys):
    setup = tmp_path / "s.toml"
    setup.write_text(made.SETUP.replace('"20 mm"', '"20 cubits"').replace("helix =", "helics =", 1))
    status, lines = run(["inspect", PHOTO, "--setup", setup], capsys)
    assert status == 2 and sum(line.startswith("error: ") for line in lines) >= 2


def test_a_photo_for_a_setup_and_a_setup_for_a_photo(tmp_path, capsys):
    setup = tmp_path / "s.toml"
    setup.write_text(made.SETUP)
    status, lines = run(["inspect", PHOTO, "--setup", PHOTO], capsys)
    assert status == 2 and str(PHOTO) in lines[0]
    status, lines = run(["inspect", setup, "--setup", setup], capsys)
    assert status == 2 and "not a photo" in lines[0]


@pytest.mark.parametrize("word", ["ruler", "rule:3mm", "od:", "od:-5mm", "card:10 furlongs", "0mm/px", "pin:six", ""])
def test_a_scale_word_that_is_not_understood(word, capsys):
    status, lines = run(["inspect", PHOTO, "--scale", word], capsys)
    assert status == 2 and len(lines) == 2 and lines[0].startswith("error: scale") and lines[1].startswith("hint: ")


@pytest.mark.parametrize("word", ["table", "-3mm", "16 furlongs"])
def test_a_scale_height_that_is_not_understood(word, capsys):
    status, lines = run(["inspect", PHOTO, f"--scale-height={word}"], capsys)
    assert status == 2 and "scale height" in lines[0]


@pytest.mark.parametrize("word", ["far", "3mm", "-300mm", "100 furlongs"])
def test_a_camera_distance_that_is_not_understood(word, capsys):
    status, lines = run(["inspect", PHOTO, f"--camera-distance={word}"], capsys)
    assert status == 2 and lines[0].startswith("error: ")


def test_a_scale_word_that_does_not_fit_the_photo_cannot_tell(tmp_path, monkeypatch, capsys):
    # a plain grey photo holds no card, whatever the word says
    monkeypatch.setattr(inspection, "find_parts", lambda *_, **__: (made.outline(),))
    monkeypatch.setattr(inspection, "measure_part", lambda *_: made.pattern())
    photo, setup, out = tmp_path / "p.png", tmp_path / "s.toml", tmp_path / "r.json"
    Image.fromarray(np.full((made.HEIGHT, made.WIDTH), 127, np.uint8)).save(photo)
    setup.write_text(made.SETUP)
    status, _ = run(["inspect", photo, "--setup", setup, "--scale", "card", "--json", out], capsys)
    assert status == 3 and "card" in out.read_text()


@pytest.mark.parametrize(("diameter", "status"), [("20.00mm", 0), ("20.60mm", 3)])
def test_two_scales_agree_or_cannot_tell(diameter, status, tmp_path, capsys):
    setup, out = PHOTO.with_suffix(".toml"), tmp_path / "r.json"
    words = ["--scale", "rule:1mm", "--scale", f"od:{diameter}", "--scale-height", "bench"]
    assert run(["inspect", PHOTO, "--setup", setup, *words, "--json", out], capsys)[0] == status
    written = out.read_text()
    assert ("the two scales disagree" in written) == (status == 3)
    assert ("outside diameter, 20 mm agree" in written) == (status == 0)


@pytest.mark.parametrize(
    "words", [["rule:1mm", "rule:0.5mm"], ["rule", "card", "od:20mm"], ["card", "0.05mm/px"], ["od:20mm", ""]]
)
def test_two_scales_that_cannot_be_held_against_each_other(words, capsys):
    status, lines = run(["inspect", PHOTO, *(f"--scale={word}" for word in words)], capsys)
    assert status == 2 and lines[0].startswith("error: scale ") and lines[1].startswith("hint: ")


@pytest.mark.parametrize(
    ("option", "name", "words"),
    [
        ("--json", "none/r.json", "is missing"),
        ("--report", "none/r.html", "is missing"),
        ("--picture", "none/r.png", "is missing"),
        ("--picture", "r.bmp", ".png or .jpg"),
        ("--json", ".", "is a folder"),
    ],
)
def test_an_output_that_cannot_be_written_is_refused_before_measuring(
    option, name, words, tmp_path, monkeypatch, capsys
):
    def measured(*_, **__):
        raise AssertionError("measured although the output cannot be written")

    monkeypatch.setattr(inspection, "find_parts", measured)
    status, lines = run(["inspect", PHOTO, option, tmp_path / name], capsys)
    assert status == 2 and lines[0].startswith("error: ") and words in lines[0]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder(tmp_path, capsys):
    tmp_path.chmod(0o500)
    status, lines = run(["inspect", PHOTO, "--json", tmp_path / "r.json"], capsys)
    assert status == 2 and "not writable" in lines[0]


def test_an_output_never_overwrites_an_input(tmp_path, capsys):
    photo = tmp_path / "p.jpg"
    photo.write_bytes(PHOTO.read_bytes())
    status, lines = run(["inspect", photo, "--picture", photo], capsys)
    assert status == 2 and "also an input" in lines[0]
    assert photo.read_bytes() == PHOTO.read_bytes()


def test_two_outputs_of_one_name(tmp_path, capsys):
    out = tmp_path / "r.html"
    status, lines = run(["inspect", PHOTO, "--json", out, "--report", out], capsys)
    assert status == 2 and "same file name" in lines[0]
    status, lines = run(["inspect", PHOTO, "--json", "-", "--report", "-"], capsys)
    assert status == 2 and "one output only" in lines[0]
