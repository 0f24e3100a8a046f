"""Reading photos: every kind of file works or gets one clear error."""

from __future__ import annotations

import importlib.util
import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from photoscale.errors import PhotoError
from photoscale.photo import Photo, camera_from_exif, colour, is_suspect, load_photo
from PIL import Image
from PIL.TiffImagePlugin import ImageFileDirectory_v2

W, H = 120, 80


def scene() -> np.ndarray:
    y, x = np.mgrid[:H, :W]
    return np.stack([x * 2, y * 3, 255 - x], axis=-1).astype(np.uint8)


def rgb() -> Image.Image:
    return Image.fromarray(scene())


def exif(**tags: object) -> Image.Exif:
    block = Image.Exif()
    for key, value in tags.items():
        if key in ("orientation", "software"):
            block[{"orientation": 0x0112, "software": 0x0131}[key]] = value
        else:
            number = {"focal": 0x920A, "equivalent": 0xA405, "zoom": 0xA404, "time": 0x9003}[key]
            block.get_ifd(0x8769)[number] = value
    return block


@pytest.mark.parametrize(
    ("name", "mode"),
    [
        ("a.jpg", "RGB"),
        ("grey.jpg", "L"),
        ("cmyk.jpg", "CMYK"),
        ("a.png", "RGB"),
        ("alpha.png", "RGBA"),
        ("palette.png", "P"),
        ("bit.png", "1"),
        ("sixteen.png", "I;16"),
        ("a.tif", "RGB"),
        ("a.webp", "RGB"),
    ],
)
def test_every_usual_format_is_read(tmp_path: Path, name: str, mode: str) -> None:
    image = Image.fromarray(scene()[:, :, 0].astype(np.uint16) * 257) if mode == "I;16" else rgb().convert(mode)
    image.save(tmp_path / name)
    photo = load_photo(tmp_path / name)
    assert photo.grey.shape == (H, W)
    assert photo.grey.dtype == np.uint8
    assert (photo.width_px, photo.height_px) == (W, H)
    assert len(photo.sha256) == 64
    assert colour(photo).shape == (H, W, 3)
    # the left is darker than the right in every one of these
    if mode in ("L", "I;16"):
        assert photo.grey[:, :10].mean() + 20 < photo.grey[:, -10:].mean()


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "webp"])
def test_orientation_is_applied_once(tmp_path: Path, orientation: int, suffix: str) -> None:
    # EXIF 2.32, 4.6.4 A, tag Orientation: where row 0 and column 0 of the stored picture are seen
    a = np.asarray(rgb().convert("L"))
    upright = {
        1: a,  # top, left
        2: a[:, ::-1],  # top, right
        3: a[::-1, ::-1],  # bottom, right
        4: a[::-1],  # bottom, left
        5: a.T,  # left, top
        6: a.T[:, ::-1],  # right, top
        7: a.T[::-1, ::-1],  # right, bottom
        8: a.T[::-1],  # left, bottom
    }[orientation].astype(int)
    path = tmp_path / f"o.{suffix}"
    Image.fromarray(a).save(path, exif=exif(orientation=orientation))
    photo = load_photo(path)
    assert photo.grey.shape == upright.shape
    assert np.abs(photo.grey.astype(int) - upright).max() < 12
    assert colour(photo).shape[:2] == upright.shape


def test_exif_gives_time_lens_and_software(tmp_path: Path) -> None:
    rgb().save(tmp_path / "e.jpg", exif=exif(focal=5.0, equivalent=26, time="2026:01:02 03:04:05", software="fw 1.2"))
    photo = load_photo(tmp_path / "e.jpg")
    assert photo.taken_at == "2026-01-02T03:04:05"
    assert (photo.focal_length_mm, photo.focal_length_35mm, photo.software) == (5.0, 26.0, "fw 1.2")
    camera = camera_from_exif(photo)
    assert camera.focal_px == pytest.approx(26 / 36 * W)
    assert camera.centre_px == ((W - 1) / 2, (H - 1) / 2)
    # thin lens: an object at 100 mm is focused at 1 / (1 / f - 1 / d) behind the lens
    assert camera_from_exif(photo, 100.0).focal_px == pytest.approx(26 / 36 * W / 5.0 / (1 / 5.0 - 1 / 100.0))
    assert camera.u_focal_rel == 0.05


@pytest.mark.parametrize("tags", [{"software": "GIMP 2.10"}, {"zoom": 2.0}])
def test_edited_or_zoomed_photos_are_trusted_less(tmp_path: Path, tags: dict[str, object]) -> None:
    rgb().save(tmp_path / "e.jpg", exif=exif(equivalent=26, **tags))
    photo = load_photo(tmp_path / "e.jpg")
    assert is_suspect(photo)
    assert camera_from_exif(photo).u_focal_rel > 0.2


@pytest.mark.parametrize("tags", [{"equivalent": 65535}, {"equivalent": 3}, {"focal": 1e9}, {"focal": -5.0}])
def test_absurd_exif_is_ignored_with_a_note(tmp_path: Path, tags: dict[str, object]) -> None:
    rgb().save(tmp_path / "e.jpg", exif=exif(**tags))
    photo = load_photo(tmp_path / "e.jpg")
    assert photo.focal_length_35mm is None
    assert photo.focal_length_mm is None
    assert "absurd" in " ".join(photo.notes)
    assert camera_from_exif(photo).u_focal_rel > 0.3


def test_damaged_exif_does_not_cost_the_photo(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    rgb().save(buffer, "JPEG", exif=exif(equivalent=26, focal=5.0))
    data = buffer.getvalue()
    at = data.index(b"Exif\0\0") + 14
    (tmp_path / "e.jpg").write_bytes(data[:at] + b"\xff" * 20 + data[at + 20 :])
    photo = load_photo(tmp_path / "e.jpg")
    assert photo.focal_length_35mm is None


def refused(path: Path, *words: str) -> None:
    with pytest.raises(PhotoError) as info:
        load_photo(path)
    text = str(info.value)
    assert path.name in text
    assert "\n" not in text
    assert info.value.hint
    for word in words:
        assert word in text


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    refused(tmp_path / "none.jpg", "no such file")
    refused(tmp_path, "folder")
    (tmp_path / "empty.jpg").touch()
    refused(tmp_path / "empty.jpg", "empty")
    (tmp_path / "text.jpg").write_text("this is not a photo\n" * 50)
    refused(tmp_path / "text.jpg", "not a photo")


@pytest.mark.parametrize("suffix", ["jpg", "png", "webp", "tif"])
@pytest.mark.parametrize("kept", [0.02, 0.3, 0.6, 0.95])
def test_cut_short_files_are_refused(tmp_path: Path, suffix: str, kept: float, capfd: object) -> None:
    rng = np.random.default_rng(1)
    Image.fromarray(rng.integers(0, 255, (200, 300, 3), np.uint8)).save(tmp_path / f"whole.{suffix}")
    data = (tmp_path / f"whole.{suffix}").read_bytes()
    path = tmp_path / f"cut.{suffix}"
    path.write_bytes(data[: int(len(data) * kept)])
    refused(path)


def test_one_pixel_is_no_photo(tmp_path: Path) -> None:
    Image.new("L", (1, 1)).save(tmp_path / "one.png")
    refused(tmp_path / "one.png", "1 x 1 px")


def test_a_small_file_with_too_many_pixels_is_refused_before_decoding(tmp_path: Path) -> None:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    for side in (13000, 20000):
        head = chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0))
        path = tmp_path / f"{side}.png"
        path.write_bytes(
            b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")
        )
        refused(path, "million")


@pytest.mark.parametrize("suffix", ["gif", "png", "webp"])
def test_animations_are_refused(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"moving.{suffix}"
    rgb().save(path, save_all=True, append_images=[rgb().rotate(90)])
    refused(path, "animation")


def test_the_first_page_of_a_tiff_is_measured_and_said(tmp_path: Path) -> None:
    rgb().save(tmp_path / "pages.tif", save_all=True, append_images=[rgb()])
    assert "pages" in " ".join(load_photo(tmp_path / "pages.tif").notes)


@pytest.mark.parametrize("suffix", ["dng", "tif"])
def test_the_thumbnail_of_a_raw_photo_is_not_measured(tmp_path: Path, suffix: str) -> None:
    tags = ImageFileDirectory_v2()
    tags.tagtype[50706] = 1  # DNGVersion, four bytes
    tags[50706] = b"\1\4\0\0"
    path = tmp_path / f"raw.{suffix}"
    rgb().save(path, "TIFF", tiffinfo=tags)
    refused(path, "raw")


def test_heic_without_reader_names_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pi_heif", None)
    path = tmp_path / "a.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0" * 64)
    refused(path, "heic")


@pytest.mark.skipif(importlib.util.find_spec("pi_heif") is None, reason="pi-heif is an optional extra")
def test_damaged_heic_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0" * 64)
    refused(path, "damaged")


def test_a_photo_made_in_memory_has_a_colour_version() -> None:
    grey = np.zeros((80, 90), np.uint8)
    assert colour(Photo("x", grey, "", 90, 80)).shape == (80, 90, 3)


def test_the_pixels_cannot_be_changed_by_accident(tmp_path: Path) -> None:
    rgb().save(tmp_path / "a.png")
    with pytest.raises(ValueError, match="read-only"):
        load_photo(tmp_path / "a.png").grey[0, 0] = 1
