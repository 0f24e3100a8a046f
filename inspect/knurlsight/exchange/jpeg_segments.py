"""A JPEG file as its segments, to take some out or put some in without touching a pixel (ITU-T T.81, annex B)."""

from __future__ import annotations

from dataclasses import dataclass

from knurlsight.errors import ExchangeError

SOI, EOI, SOS, APP0, APP1, APP2, APP14 = 0xD8, 0xD9, 0xDA, 0xE0, 0xE1, 0xE2, 0xEE
#: Longest payload of a segment: its length field of two bytes counts itself.
MOST_PAYLOAD = 65533


@dataclass(frozen=True)
class Segment:
    """One segment: its marker, its payload, and after SOS the coded data that follows."""

    marker: int
    payload: bytes
    coded: bytes = b""

    @property
    def data(self) -> bytes:
        """As it stands in the file."""
        return b"\xff" + bytes([self.marker]) + (len(self.payload) + 2).to_bytes(2, "big") + self.payload + self.coded


def segments(data: bytes, source: str) -> tuple[Segment, ...]:
    """The segments between start and end of the image; what follows the end (more pictures, a film) is left out.

    Raises
    ------
    ExchangeError
        It is no JPEG file, or it is cut short.
    """
    if data[:2] != b"\xff\xd8":
        raise ExchangeError(f"{source}: is not a JPEG file")
    made: list[Segment] = []
    at = 2
    while True:
        while data[at : at + 2] == b"\xff\xff":  # fill bytes
            at += 1
        if len(data) < at + 2 or data[at] != 0xFF:
            raise ExchangeError(f"{source}: is a JPEG file that is damaged or cut short")
        marker = data[at + 1]
        if marker == EOI:
            return tuple(made)
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        end = at + 2 + length
        if length < 2 or end > len(data):
            raise ExchangeError(f"{source}: is a JPEG file that is damaged or cut short")
        follows = _next_marker(data, end) if marker == SOS else end
        made.append(Segment(marker, data[at + 4 : end], data[end:follows]))
        at = follows


def joined(parts: tuple[Segment, ...]) -> bytes:
    """The file made of some segments."""
    return b"\xff\xd8" + b"".join(part.data for part in parts) + b"\xff\xd9"


def _next_marker(data: bytes, at: int) -> int:
    """Where coded data ends: at a marker that is neither a stuffed zero nor a restart."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0:
            return len(data)
        follows = data[at + 1] if at + 1 < len(data) else 0
        if follows != 0x00 and follows != 0xFF and not 0xD0 <= follows <= 0xD7:
            return at
        at += 1 if follows == 0xFF else 2
