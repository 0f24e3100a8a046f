"""XML from elsewhere, read without trusting it: no document type, hence no entities, no outside files, no expansion."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knurlsight.errors import ExchangeError

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

MOST_BYTES = 64_000_000
MOST_LEVELS = 100


def parse_xml(data: bytes, source: str) -> Element:
    """The root element of a document; names are ``{namespace}name``.

    Parameters
    ----------
    data : bytes
    source : str
        Name for messages.

    Raises
    ------
    ExchangeError
        The document is not XML, too large or nested too deeply, or has a document type (which may define entities).
    """
    from xml.etree.ElementTree import TreeBuilder
    from xml.parsers import expat

    if len(data) > MOST_BYTES:
        raise ExchangeError(f"{source}: is {len(data)} bytes of XML, more than {MOST_BYTES}; split it")
    builder = TreeBuilder()
    parser = expat.ParserCreate(namespace_separator="}")
    parser.buffer_text = True
    depth = 0

    def full(name: str) -> str:
        return "{" + name if "}" in name else name

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > MOST_LEVELS:
            raise ExchangeError(f"{source}: its XML is nested more than {MOST_LEVELS} deep")
        builder.start(full(name), {full(k): v for k, v in attributes.items()})

    def end(name: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(full(name))

    def refuse(*_: object) -> None:
        raise ExchangeError(
            f"{source}: has a document type (DOCTYPE), which may hold entities and is never read",
            hint="take the <!DOCTYPE …> line out if you trust the file",
        )

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler = builder.data
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(data, True)
        return builder.close()
    except expat.ExpatError as e:
        raise ExchangeError(f"{source}: is not XML that can be read ({e})") from None
    except (LookupError, ValueError) as e:  # an encoding that Python does not have
        raise ExchangeError(f"{source}: is not XML that can be read ({e})") from None


def xml_text(text: str) -> str:
    """Text with the characters that XML 1.0 cannot hold replaced by U+FFFD (section 2.2 of the recommendation)."""
    return "".join(c if _allowed(ord(c)) else "�" for c in text)


def _allowed(code: int) -> bool:
    return code in (9, 10, 13) or 0x20 <= code <= 0xD7FF or 0xE000 <= code <= 0xFFFD or 0x10000 <= code <= 0x10FFFF
