"""A PNG file as its chunks, to take some out or put some in without touching a pixel (ISO/IEC 15948)."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

from knurlsight.errors import ExchangeError

SIGNATURE = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True)
class Chunk:
    """One chunk: its four letters and its data."""

    kind: bytes
    payload: bytes

    @property
    def data(self) -> bytes:
        """As it stands in the file, with its check sum."""
        body = self.kind + self.payload
        return len(self.payload).to_bytes(4, "big") + body + zlib.crc32(body).to_bytes(4, "big")


def chunks(data: bytes, source: str) -> tuple[Chunk, ...]:
    """The chunks up to the end of the image; what follows is left out.

    Raises
    ------
    ExchangeError
        It is no PNG file, or it is cut short.
    """
    if not data.startswith(SIGNATURE):
        raise ExchangeError(f"{source}: is not a PNG file")
    made: list[Chunk] = []
    at = len(SIGNATURE)
    while not made or made[-1].kind != b"IEND":
        length, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        end = at + 12 + length
        if end > len(data):
            raise ExchangeError(f"{source}: is a PNG file that is damaged or cut short")
        made.append(Chunk(kind, data[at + 8 : at + 8 + length]))
        at = end
    return tuple(made)


def joined(parts: tuple[Chunk, ...]) -> bytes:
    """The file made of some chunks."""
    return SIGNATURE + b"".join(part.data for part in parts)
