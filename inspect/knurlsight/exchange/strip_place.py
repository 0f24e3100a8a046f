"""A photo without what tells where it was taken and by whom; no pixel is touched.

What may stay is listed, all else goes: positions, names, serial numbers, maker's notes (which hold any of them),
comments, thumbnails, and pictures or films hung on behind. A photo that has none of it stays the same file.
"""

from __future__ import annotations

from knurlsight.errors import ExchangeError
from knurlsight.exchange import jpeg_segments, png_chunks
from knurlsight.exchange.jpeg_segments import APP0, APP1, APP2, APP14

EXIF_START = b"Exif\x00\x00"
EXIF_POINTER, GPS_POINTER = 0x8769, 0x8825
#: Make, model, orientation, resolution and its unit, editor, dates: what weighs a scale and tells nothing of a person.
KEPT_TAGS = frozenset({0x010F, 0x0110, 0x0112, 0x011A, 0x011B, 0x0128, 0x0131, 0x0132, 0x0213, EXIF_POINTER})
#: Exposure, dates and zones, version, size, colour space, focal lengths, focal plane, zoom.
KEPT_EXIF_TAGS = frozenset(
    {0x829A, 0x829D, 0x8827, 0x9000, 0x9003, 0x9004, 0x9010, 0x9011, 0x9012, 0x9101, 0x9206, 0x920A, 0xA000, 0xA001}
    | {0xA002, 0xA003, 0xA20E, 0xA20F, 0xA210, 0xA217, 0xA402, 0xA403, 0xA404, 0xA405, 0xA406}
)
#: Chunks of a PNG that are needed to show it.
KEPT_CHUNKS = frozenset(
    {
        b"IHDR",
        b"PLTE",
        b"IDAT",
        b"IEND",
        b"tRNS",
        b"cHRM",
        b"gAMA",
        b"iCCP",
        b"sBIT",
        b"sRGB",
        b"cICP",
        b"bKGD",
        b"pHYs",
    }
)


def stripped(data: bytes, source: str) -> bytes:
    """The photo without place and owner, its picture as it was.

    Parameters
    ----------
    data : bytes
        A JPEG or PNG file.
    source : str
        Name for messages.

    Raises
    ------
    ExchangeError
        The file is damaged, or of a kind in which it cannot be done without touching the picture.
    """
    if data.startswith(b"\xff\xd8"):
        return _stripped_jpeg(data, source)
    if data.startswith(png_chunks.SIGNATURE):
        return _stripped_png(data, source)
    raise ExchangeError(
        f"{source}: place and owner can be taken out of JPEG and PNG files only",
        hint="--originals hands it on as it is",
    )


def _stripped_jpeg(data: bytes, source: str) -> bytes:
    kept = []
    for segment in jpeg_segments.segments(data, source):
        if segment.marker == APP1 and segment.payload.startswith(EXIF_START):
            exif = _stripped_exif(segment.payload)
            if exif:
                kept.append(jpeg_segments.Segment(APP1, exif))
        elif not _is_extra(segment):
            kept.append(segment)
    return jpeg_segments.joined(tuple(kept))


def _is_extra(segment: jpeg_segments.Segment) -> bool:
    """Application data and comments that a decoder of the picture does not need."""
    start, marker = segment.payload, segment.marker
    needed = (
        (marker == APP0 and start.startswith(b"JFIF\x00"))
        or (marker == APP2 and start.startswith(b"ICC_PROFILE\x00"))
        or (marker == APP14 and start.startswith(b"Adobe"))
    )
    comment = marker == 0xFE
    return (0xE0 <= marker <= 0xEF or comment) and not needed


def _stripped_png(data: bytes, source: str) -> bytes:
    kept = []
    for chunk in png_chunks.chunks(data, source):
        if chunk.kind == b"eXIf":
            exif = _stripped_exif(EXIF_START + chunk.payload).removeprefix(EXIF_START)
            if exif:
                kept.append(png_chunks.Chunk(b"eXIf", exif))
        elif chunk.kind in KEPT_CHUNKS:
            kept.append(chunk)
    return png_chunks.joined(tuple(kept))


def _stripped_exif(data: bytes) -> bytes:
    """An EXIF block with the kept tags alone: the same bytes where it has no others, none where it cannot be read."""
    from PIL import Image

    try:
        exif = Image.Exif()
        exif.load(data)
        inner = exif.get_ifd(EXIF_POINTER)
        made = Image.Exif()
        made.endian = exif.endian
        for tag in sorted(set(exif) & KEPT_TAGS - {EXIF_POINTER}):
            made[tag] = exif[tag]
        kept_inner = {tag: inner[tag] for tag in sorted(set(inner) & KEPT_EXIF_TAGS)}
        if kept_inner:
            made.get_ifd(EXIF_POINTER).update(kept_inner)
        if not len(made) and not kept_inner:
            return b""
        written = made.tobytes()
    except Exception:  # a damaged block may raise anything; what cannot be read cannot be trusted to be harmless
        return b""
    # longer than its tags need: a thumbnail or something else is hidden between them
    harmless = set(exif) <= KEPT_TAGS and set(inner) <= KEPT_EXIF_TAGS and len(data) <= len(written)
    return data if harmless else written
