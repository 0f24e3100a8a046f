"""A picture that says what it shows: the essential figures in its own metadata, and reading them back.

They stand as XMP (ISO 16684-1; its dc:description is the IPTC description) in a namespace of our own, and in one line
as EXIF ImageDescription. Programs that send pictures often drop both: the record is what counts, this is a convenience.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr

from photoscale.quantity import Quantity

from knurlsight.errors import ExchangeError
from knurlsight.exchange import jpeg_segments, png_chunks
from knurlsight.exchange.inspected import Inspected, part_figures, title_of
from knurlsight.exchange.jpeg_segments import APP0, APP1
from knurlsight.exchange.safe_xml import parse_xml, xml_text
from knurlsight.exchange.strip_place import EXIF_START
from knurlsight.reporting import figures

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

NAMESPACE = "urn:knurlsight:picture:1#"
RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
DC = "http://purl.org/dc/elements/1.1/"
XMP = "http://ns.adobe.com/xap/1.0/"
XMP_START = b"http://ns.adobe.com/xap/1.0/\x00"
XMP_KEYWORD = b"XML:com.adobe.xmp"
IMAGE_DESCRIPTION, SOFTWARE = 0x010E, 0x0131
#: A tray has many parts: beyond this many only their verdicts are noted, beyond `MOST_PARTS` only how many there are.
MOST_PARTS_WITH_FIGURES = 12
MOST_PARTS = 200
ESSENTIAL = ("normal pitch", "helix", "teeth", "included", "outside", "form fill", "balance", "double tracking")
VERDICT_WORDS: Mapping[str, str] = {"pass": "PASS", "fail": "FAIL", "cannot_tell": "CANNOT TELL", "": "measured"}


@dataclass(frozen=True)
class NotedPart:
    """One part: its place, form and verdict (empty when there is none), and its figures by name."""

    id: str
    form: str
    verdict: str
    figures: tuple[tuple[str, Quantity], ...] = ()


@dataclass(frozen=True)
class PictureNote:
    """What a picture says of itself: no place, no owner, nobody's name.

    Attributes
    ----------
    title, job, operation, serial : str
    verdict : str
        ``pass``, ``fail``, ``cannot_tell`` or empty.
    when : str
        Of the inspection, ISO 8601.
    record_hash : str
        Of the entry that holds it.
    photo_sha256 : tuple of str
        Of the photos that were measured.
    program : str
    parts : tuple of NotedPart
    part_count : int
        How many there are, also where not all are noted.
    """

    title: str
    job: str
    operation: str
    serial: str
    verdict: str
    when: str
    record_hash: str
    photo_sha256: tuple[str, ...]
    program: str
    parts: tuple[NotedPart, ...]
    part_count: int


def note_of(done: Inspected) -> PictureNote:
    """What the picture of an inspection should say."""
    result = done.result
    few = len(result.parts) <= MOST_PARTS_WITH_FIGURES
    parts = tuple(
        NotedPart(
            part.id,
            part.form or "",
            part.verdict or "",
            tuple((n, q) for n, q in part_figures(part).items() if n.startswith(ESSENTIAL)) if few else (),
        )
        for part in result.parts
    )
    return PictureNote(
        title=title_of(result)[:500],
        job=done.job[:500],
        operation=done.operation[:500],
        serial=done.serial[:500],
        verdict=result.verdict or "",
        when=done.when,
        record_hash=done.record_hash,
        photo_sha256=tuple(photo.sha256 for photo in result.photos)[:50],
        program=f"knurlsight {result.tool_version}",
        parts=parts if len(parts) <= MOST_PARTS else (),
        part_count=len(parts),
    )


def with_note(picture: bytes, note: PictureNote) -> bytes:
    """A PNG or JPEG picture with its note; pixels stay as they are, an earlier note is replaced.

    Raises
    ------
    ExchangeError
        It is neither, or damaged.
    """
    exif, xmp = _exif(note), _xmp(note)
    if picture.startswith(png_chunks.SIGNATURE):
        return _png_with(picture, exif, xmp)
    return _jpeg_with(picture, exif, xmp)


def without_note(picture: bytes) -> bytes:
    """The picture as it was before `with_note`.

    Raises
    ------
    ExchangeError
        It is neither PNG nor JPEG, or damaged.
    """
    if picture.startswith(png_chunks.SIGNATURE):
        return png_chunks.joined(_other_chunks(picture))
    return jpeg_segments.joined(_other_segments(picture))


def read_note(picture: bytes, source: str) -> PictureNote:
    """The note of a picture.

    Raises
    ------
    ExchangeError
        It is no picture, or has no note of ours, or one that cannot be read.
    """
    from PIL import Image

    try:
        with Image.open(BytesIO(picture)) as opened:
            packet = opened.info.get("xmp") or opened.info.get("XML:com.adobe.xmp") or b""
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning) as e:
        raise ExchangeError(f"{source}: is not a picture that can be read ({e})") from None
    data = packet.encode() if isinstance(packet, str) else bytes(packet)
    told = None
    if data:
        root = parse_xml(data.strip(b"\x00 \r\n\t"), source)
        told = next((d for d in root.iter(f"{{{RDF}}}Description") if _k("program") in d.attrib), None)
    if told is None:
        raise ExchangeError(
            f"{source}: says nothing of an inspection; its data may have been taken out on the way",
            hint="knurlsight job find with the number written on the part",
        )
    return _note(told, source)


def description(note: PictureNote) -> str:
    """The note in one line, for programs that show a description."""
    words = [f"knurl {VERDICT_WORDS.get(note.verdict, note.verdict)}", note.title]
    words += [f"{name} {value}" for name, value in (("job", note.job), ("op", note.operation)) if value]
    if note.part_count == 1 and note.parts:
        words += [f"{name} {figures.measured(q)}" for name, q in note.parts[0].figures]
    else:
        words.append(f"{note.part_count} parts")
    return "; ".join(words)


# --- writing ---------------------------------------------------------------------------------------------------------


def _exif(note: PictureNote) -> bytes:
    """EXIF has ASCII only, as its standard wants it; ± is written +-."""
    from PIL import Image

    text = description(note).replace("±", "+-").replace("°", " deg").replace("–", "-")
    exif = Image.Exif()
    exif[IMAGE_DESCRIPTION] = text.encode("ascii", "replace").decode("ascii").replace("\x00", "?")[:2000]
    exif[SOFTWARE] = note.program
    return exif.tobytes()


def _xmp(note: PictureNote) -> bytes:
    single = {
        "title": note.title,
        "job": note.job,
        "operation": note.operation,
        "serial": note.serial,
        "verdict": note.verdict,
        "when": note.when,
        "recordHash": note.record_hash,
        "program": note.program,
        "partCount": str(note.part_count),
    }
    attributes = " ".join(f"k:{name}={_quoted(value)}" for name, value in single.items())
    photos = "".join(f"<rdf:li>{_escaped(h)}</rdf:li>" for h in note.photo_sha256)
    parts = "".join(
        f"<rdf:li><rdf:Description k:id={_quoted(p.id)} k:form={_quoted(p.form)} k:verdict={_quoted(p.verdict)}>"
        f"<k:figures><rdf:Seq>{''.join(_figure(n, q) for n, q in p.figures)}</rdf:Seq></k:figures>"
        "</rdf:Description></rdf:li>"
        for p in note.parts
    )
    text = (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="{RDF}">'
        f'<rdf:Description rdf:about="" xmlns:k="{NAMESPACE}" xmlns:dc="{DC}" xmlns:xmp="{XMP}" '
        f"xmp:CreatorTool={_quoted(note.program)} {attributes}>"
        f'<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{_escaped(description(note))}</rdf:li></rdf:Alt>'
        f"</dc:description><k:photos><rdf:Seq>{photos}</rdf:Seq></k:photos>"
        f"<k:parts><rdf:Seq>{parts}</rdf:Seq></k:parts>"
        '</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="r"?>'
    )
    return text.encode()


def _figure(name: str, q: Quantity) -> str:
    numbers = f'k:value="{q.value!r}" k:standardUncertainty="{q.u!r}"'
    return f"<rdf:li k:name={_quoted(name)} {numbers} k:unit={_quoted(q.unit)}/>"


def _quoted(text: str) -> str:
    return quoteattr(xml_text(text))


def _escaped(text: str) -> str:
    from xml.sax.saxutils import escape

    return escape(xml_text(text))


def _jpeg_with(picture: bytes, exif: bytes, xmp: bytes) -> bytes:
    rest = _other_segments(picture)
    ours = [jpeg_segments.Segment(APP1, exif), jpeg_segments.Segment(APP1, XMP_START + xmp)]
    if any(len(s.payload) > jpeg_segments.MOST_PAYLOAD for s in ours):
        raise ExchangeError("the picture's note is longer than JPEG can hold; write the picture as .png")
    at = 1 if rest and rest[0].marker == APP0 else 0
    return jpeg_segments.joined((*rest[:at], *ours, *rest[at:]))


def _png_with(picture: bytes, exif: bytes, xmp: bytes) -> bytes:
    rest = _other_chunks(picture)
    # after the keyword: not compressed, no language, no translated keyword
    ours = [
        png_chunks.Chunk(b"iTXt", XMP_KEYWORD + b"\x00\x00\x00\x00\x00" + xmp),
        png_chunks.Chunk(b"eXIf", exif.removeprefix(EXIF_START)),
    ]
    return png_chunks.joined((rest[0], *ours, *rest[1:]))


def _other_segments(picture: bytes) -> tuple[jpeg_segments.Segment, ...]:
    return tuple(
        s
        for s in jpeg_segments.segments(picture, "picture")
        if not (s.marker == APP1 and s.payload.startswith((EXIF_START, XMP_START)))
    )


def _other_chunks(picture: bytes) -> tuple[png_chunks.Chunk, ...]:
    return tuple(
        c
        for c in png_chunks.chunks(picture, "picture")
        if c.kind != b"eXIf" and not (c.kind == b"iTXt" and c.payload.startswith(XMP_KEYWORD + b"\x00"))
    )


# --- reading ---------------------------------------------------------------------------------------------------------


def _note(told: Element, source: str) -> PictureNote:
    def text(name: str) -> str:
        return told.get(_k(name), "")

    try:
        return PictureNote(
            title=text("title"),
            job=text("job"),
            operation=text("operation"),
            serial=text("serial"),
            verdict=text("verdict"),
            when=text("when"),
            record_hash=text("recordHash"),
            photo_sha256=tuple(li.text or "" for li in _items(told, "photos")),
            program=text("program"),
            parts=tuple(_noted_part(made) for li in _items(told, "parts") for made in li),
            part_count=int(text("partCount")),
        )
    except (ValueError, KeyError) as e:
        raise ExchangeError(f"{source}: its note of an inspection is damaged ({e})") from None


def _noted_part(made: Element) -> NotedPart:
    return NotedPart(
        made.get(_k("id"), ""),
        made.get(_k("form"), ""),
        made.get(_k("verdict"), ""),
        tuple(
            (
                li.attrib[_k("name")],
                Quantity(
                    float(li.attrib[_k("value")]), float(li.attrib[_k("standardUncertainty")]), li.attrib[_k("unit")]
                ),
            )
            for li in _items(made, "figures")
        ),
    )


def _items(made: Element, name: str) -> list[Element]:
    return made.findall(f"{_k(name)}/{{{RDF}}}Seq/{{{RDF}}}li")


def _k(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"
