"""A photo as it is measured: grey, upright, with the little of its EXIF that geometry can use.

The bytes are read once; the same bytes are hashed and decoded. Sizes are read from the header first, so that a small
file cannot unfold into more memory than the machine has.
"""

from __future__ import annotations

import datetime
import hashlib
import io
import math
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, UnidentifiedImageError

from photoscale.camera import Camera
from photoscale.errors import PhotoError

MAX_BYTES = 400_000_000
MAX_PIXELS = 150_000_000
MIN_SIDE_PX = 64
FRAME_WIDTH_MM = 36.0

# without EXIF: phones' main cameras are 24 to 28 mm, "2x" 48 to 56, lenses for close work 50 to 100 (common practice)
GUESSED_EQUIVALENT_MM = 60.0
U_GUESSED_FOCAL = 0.6  # of its logarithm
U_EXIF_FOCAL = 0.05
U_SUSPECT_FOCAL = 0.25
# editors write their name where cameras write a firmware number
EDITORS = ("photoshop", "lightroom", "gimp", "snapseed", "picasa", "darktable", "paint", "affinity", "capture one")
DNG_VERSION = 50706  # the tag that every DNG has (Digital Negative specification)
HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")


@dataclass(frozen=True)
class Photo:
    """One photo, upright.

    Attributes
    ----------
    name : str
        File name without folder.
    grey : (h, w) uint8 array
        Brightness, EXIF orientation applied. Treat as read-only.
    sha256 : str
        Of the file's bytes.
    width_px, height_px : int
        Of `grey`.
    taken_at : str or None
        ISO 8601 local time, as the camera's clock had it.
    focal_length_mm, focal_length_35mm : float or None
        Real and 35 mm equivalent focal length; None when missing or absurd.
    digital_zoom : float or None
        Zoom by cropping, when EXIF tells.
    software : str or None
        What last wrote the file, as it says.
    notes : tuple of str
        What is odd about the file, in plain words.
    encoded : bytes
        The file's bytes, for a colour version (`colour`).
    """

    name: str
    grey: NDArray[np.uint8] = field(repr=False)
    sha256: str
    width_px: int
    height_px: int
    taken_at: str | None = None
    focal_length_mm: float | None = None
    focal_length_35mm: float | None = None
    digital_zoom: float | None = None
    software: str | None = None
    notes: tuple[str, ...] = ()
    encoded: bytes = field(default=b"", repr=False)


def load_photo(path: Path) -> Photo:
    """Read a photo: JPEG, PNG, TIFF, WebP, and HEIC where pi-heif is installed.

    Raises
    ------
    PhotoError
        Missing, not a file, empty, too big, damaged, or not a photo; the message names file, fault and cure.
    """
    path = Path(path)
    data = _read_bytes(path)
    sha256 = hashlib.sha256(data).hexdigest()
    if _is_heif(data):
        grey, exif, notes = _decode_heif(path, data)
    else:
        exif, notes = _read_header(path, data)
        grey = _decode(path, data)
    height, width = grey.shape
    if min(height, width) < MIN_SIDE_PX:
        raise PhotoError(f"{path}: only {width} x {height} px", f"a photo needs at least {MIN_SIDE_PX} px each way")
    grey.setflags(write=False)
    facts, exif_notes = _facts(exif)
    return Photo(path.name, grey, sha256, width, height, notes=(*notes, *exif_notes), encoded=data, **facts)


def colour(photo: Photo) -> NDArray[np.uint8]:
    """The photo in colour (h, w, 3), blue-green-red as OpenCV has it, upright; decoded anew each time.

    A photo without bytes (made in memory) gives its grey three times.
    """
    if not photo.encoded:
        return np.repeat(photo.grey[:, :, None], 3, axis=2)
    if _is_heif(photo.encoded):
        rgb = _heif_rgb(Path(photo.name), photo.encoded)[0]
        return np.ascontiguousarray(rgb[:, :, ::-1])
    return _imdecode(Path(photo.name), photo.encoded, cv2.IMREAD_COLOR)


def camera_from_exif(photo: Photo, distance_mm: float | None = None) -> Camera:
    """Camera from the 35 mm equivalent, taken by frame width over the longer side; principal point in the middle.

    Parameters
    ----------
    photo : Photo
    distance_mm : float, optional
        Camera to subject. Focusing there makes the lens act 1 / (1 - f / d) longer than its nominal focal length
        (thin-lens equation); without it that is left out.

    Notes
    -----
    5 % at best: equivalents are rounded, some makers count the diagonal, and crops are not recorded at all. Without
    EXIF a guess within a factor of two.
    """
    longer = max(photo.width_px, photo.height_px)
    equivalent, u_rel = GUESSED_EQUIVALENT_MM, U_GUESSED_FOCAL
    if photo.focal_length_35mm is not None:
        equivalent, u_rel = photo.focal_length_35mm, U_EXIF_FOCAL
        if is_suspect(photo):
            u_rel = U_SUSPECT_FOCAL
    focal = equivalent / FRAME_WIDTH_MM * longer
    if photo.focal_length_35mm is not None and photo.focal_length_mm is not None and distance_mm is not None:
        focal /= 1 - min(photo.focal_length_mm / distance_mm, 0.5)
    return Camera(focal, ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2), u_focal_rel=u_rel)


def is_suspect(photo: Photo) -> bool:
    """Whether zoom, an editor or an odd shape says that the frame may have been cropped."""
    shape = max(photo.width_px, photo.height_px) / min(photo.width_px, photo.height_px)
    usual = any(abs(shape - s) < 0.01 for s in (4 / 3, 3 / 2, 16 / 9, 1.0))
    edited = photo.software is not None and any(e in photo.software.lower() for e in EDITORS)
    zoomed = photo.digital_zoom is not None and abs(photo.digital_zoom - 1) > 0.01
    return edited or zoomed or not usual


# --- reading ---------------------------------------------------------------------------------------------------------


def _read_bytes(path: Path) -> bytes:
    if path.is_dir():
        raise PhotoError(f"{path}: is a folder, not a photo", "name one photo, or use batch for a folder")
    if not path.exists():
        raise PhotoError(f"{path}: no such file", "check the name and the folder")
    if not path.is_file():
        raise PhotoError(f"{path}: is not a regular file", "copy the photo to a file first")
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise PhotoError(
                f"{path}: {size / 1e6:.0f} MB, more than the {MAX_BYTES / 1e6:.0f} MB allowed", "save it as JPEG"
            )
        data = path.read_bytes()
    except OSError as e:
        raise PhotoError(f"{path}: cannot be read ({e.strerror})", "check the permissions") from e
    if not data:
        raise PhotoError(f"{path}: the file is empty", "copy it from the camera again")
    return data


def _read_header(path: Path, data: bytes) -> tuple[Any, tuple[str, ...]]:
    """EXIF and notes of a file that Pillow knows, its size checked before anything is decoded."""
    try:
        # our own limit on pixels below speaks more plainly than Pillow's
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = Image.open(io.BytesIO(data))
    except Image.DecompressionBombError as e:
        raise _too_many_pixels(path) from e
    except UnidentifiedImageError as e:
        raise PhotoError(f"{path}: not a photo in any format known here", "use JPEG, PNG, TIFF, WebP or HEIC") from e
    except Exception as e:  # Pillow's plug-ins raise whatever their parsers trip over
        raise _damaged(path) from e
    if image.width * image.height > MAX_PIXELS:
        raise _too_many_pixels(path, image.width, image.height)
    if DNG_VERSION in getattr(image, "tag_v2", ()):
        # its first page is a thumbnail, which would be measured without a word
        raise PhotoError(f"{path}: a raw photo (DNG)", "develop it to JPEG or TIFF, uncropped")
    notes = []
    try:
        frames = int(getattr(image, "n_frames", 1))
    except Exception as e:
        raise _damaged(path) from e
    if frames > 1 and image.format == "TIFF":
        notes.append(f"the file holds {frames} pages; the first is measured")
    elif frames > 1 and image.format != "MPO":  # MPO: a phone's JPEG with extra pictures behind the first
        raise PhotoError(f"{path}: an animation of {frames} pictures", "save the one to be measured as JPEG or PNG")
    try:
        exif = image.getexif()
        merged = {**exif, **exif.get_ifd(ExifTags.IFD.Exif)}
    except Exception:  # a broken EXIF block costs the focal length, not the photo
        merged = {}
        notes.append("the EXIF block is damaged and was ignored")
    return merged, tuple(notes)


def _imdecode(path: Path, data: bytes, how: int) -> NDArray[np.uint8]:
    try:
        image = cv2.imdecode(np.frombuffer(data, np.uint8), how)
    except cv2.error as e:
        raise _damaged(path) from e
    if image is None:
        raise _damaged(path)
    return np.asarray(image, np.uint8)


def _decode(path: Path, data: bytes) -> NDArray[np.uint8]:
    if _is_cut_jpeg(data):
        raise _damaged(path)
    return _imdecode(path, data, cv2.IMREAD_GRAYSCALE)


def _is_cut_jpeg(data: bytes) -> bool:
    """A JPEG without its end mark: some decoders fill the missing part with grey and say nothing."""
    return data[:2] == b"\xff\xd8" and data.rfind(b"\xff\xd9") < data.rfind(b"\xff\xda")


def _damaged(path: Path) -> PhotoError:
    return PhotoError(f"{path}: damaged, cut short, or not the format that it says", "copy it from the camera again")


def _too_many_pixels(path: Path, width: int = 0, height: int = 0) -> PhotoError:
    size = f"{width} x {height} px" if width else "hundreds of millions of pixels"
    return PhotoError(f"{path}: {size}, more than the {MAX_PIXELS // 1_000_000} million allowed", "save it smaller")


def _is_heif(data: bytes) -> bool:
    return data[4:8] == b"ftyp" and data[8:12] in HEIF_BRANDS


def _heif_rgb(path: Path, data: bytes) -> tuple[NDArray[np.uint8], bytes]:
    try:
        import pi_heif
    except ImportError as e:
        raise PhotoError(
            f"{path}: HEIC needs an extra reader", "pip install 'knurlsight[heic]', or save the photo as JPEG"
        ) from e
    try:
        heif = pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        if heif.size[0] * heif.size[1] > MAX_PIXELS:
            raise _too_many_pixels(path, *heif.size)
        # the reader itself has turned the picture upright
        rgb = np.asarray(heif, np.uint8)
    except PhotoError:
        raise
    except Exception as e:  # the plug-in raises ValueError, RuntimeError, EOFError ... on damaged files
        raise _damaged(path) from e
    if rgb.ndim == 2:
        rgb = np.repeat(rgb[:, :, None], 3, axis=2)
    return rgb[:, :, :3], heif.info.get("exif") or b""


def _decode_heif(path: Path, data: bytes) -> tuple[NDArray[np.uint8], Any, tuple[str, ...]]:
    rgb, block = _heif_rgb(path, data)
    grey = np.asarray(cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY), np.uint8)
    exif = Image.Exif()
    try:
        exif.load(block)
        merged = {**exif, **exif.get_ifd(ExifTags.IFD.Exif)}
    except Exception:
        return grey, {}, ("the EXIF block is damaged and was ignored",)
    return grey, merged, ()


# --- EXIF ------------------------------------------------------------------------------------------------------------


def _facts(exif: Any) -> tuple[dict[str, Any], list[str]]:
    """Fields of `Photo` from merged EXIF tags, absurd values left out with a note."""
    notes: list[str] = []
    tag = ExifTags.Base

    def number(key: int, name: str, low: float, high: float) -> float | None:
        raw = exif.get(key)
        if raw is None:
            return None
        try:
            value = float(raw)
        except (TypeError, ValueError, ZeroDivisionError, OverflowError):
            value = math.nan
        if value == 0:  # EXIF's own word for "unknown"
            return None
        if not low <= value <= high:
            notes.append(f"EXIF {name} {raw!r} is absurd and was ignored"[:120])
            return None
        return value

    facts: dict[str, Any] = {
        "focal_length_mm": number(tag.FocalLength, "focal length", 0.5, 2000),
        "focal_length_35mm": number(tag.FocalLengthIn35mmFilm, "35 mm equivalent", 8, 2000),
        "digital_zoom": number(tag.DigitalZoomRatio, "digital zoom", 0.1, 100),
        "software": _text(exif.get(tag.Software)),
        "taken_at": _time(exif.get(tag.DateTimeOriginal)),
    }
    return facts, notes


def _text(raw: Any) -> str | None:
    if not isinstance(raw, str):
        return None
    text = "".join(c for c in raw if c.isprintable()).strip()
    return text[:80] or None


def _time(raw: Any) -> str | None:
    try:
        return datetime.datetime.strptime(str(raw).strip("\0 "), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None
