"""Words that people type into the records, checked at the door: names become keys and lines of lists, never paths."""

from __future__ import annotations

import re
import unicodedata

from knurlsight.errors import RecordError

MAX_SHORT = 200
MAX_LONG = 20_000
MAX_JOB_NUMBER = 40

_JOB_NUMBER = re.compile(r"[^\W_](?:[ ]?[\w.+#-])*")


def job_number(words: str) -> str:
    """A job's number, as typed but for blanks around it.

    Raises
    ------
    RecordError
        Anything but letters, digits, single blanks and ``. - _ + #``, more than 40 characters, or two dots in a row.
    """
    number = unicodedata.normalize("NFC", words).strip(" ")
    if len(number) > MAX_JOB_NUMBER:
        raise RecordError(
            f"job number {shown(words)}: {len(number)} characters, more than the {MAX_JOB_NUMBER} allowed",
            hint="knurlsight job new 2041",
        )
    if not _JOB_NUMBER.fullmatch(number) or ".." in number or not _is_text(number):
        raise RecordError(
            f"job number {shown(words)}: only letters, digits, single blanks and . - _ + #, a letter or digit first",
            hint="knurlsight job new 2041",
        )
    return number


def short_text(what: str, words: str) -> str:
    """One line of up to 200 characters, blanks around it taken off.

    Raises
    ------
    RecordError
        Empty, too long, or with line breaks or control characters.
    """
    text = unicodedata.normalize("NFC", words).strip()
    if not text:
        raise RecordError(f"{what}: is empty; write something or leave it out")
    if len(text) > MAX_SHORT:
        raise RecordError(f"{what} {shown(text)}: {len(text)} characters, more than the {MAX_SHORT} allowed")
    if not text.isprintable() or not _is_text(text):
        raise RecordError(f"{what} {shown(text)}: only one line of plain text is kept here")
    return text


def long_text(what: str, words: str) -> str:
    """A text of up to 20,000 characters; line breaks and tabs are kept.

    Raises
    ------
    RecordError
        Empty, too long, or with control characters.
    """
    text = unicodedata.normalize("NFC", words.replace("\r\n", "\n")).strip()
    if not text:
        raise RecordError(f"{what}: is empty; write something or leave it out")
    if len(text) > MAX_LONG:
        raise RecordError(f"{what}: {len(text)} characters, more than the {MAX_LONG} allowed")
    if not text.replace("\n", "").replace("\t", "").isprintable() or not _is_text(text):
        raise RecordError(f"{what} {shown(text)}: holds characters that are no text")
    return text


def first_line(text: str, most: int = 160) -> str:
    """The first line of a text, cut to `most` characters."""
    line = next(iter(text.splitlines()), "")
    return line if len(line) <= most else line[: most - 1] + "…"


def shown(words: str) -> str:
    """Words quoted for a message: on one line, no longer than it can bear."""
    text = repr(words.encode("utf-8", "replace").decode())
    return text if len(text) <= 60 else text[:57] + "…'"


def _is_text(words: str) -> bool:
    """Whether it can be written as UTF-8: names from a disk may hold bytes that are no characters."""
    try:
        words.encode()
    except UnicodeEncodeError:
        return False
    return True
