"""``key=value`` as typed on the command line."""

from __future__ import annotations

from collections.abc import Sequence

from knurlsight.errors import RecordError
from knurlsight.records.wording import shown

#: Keys that may come several times; their values are gathered.
REPEATED = ("dial", "rolled")


def pairs(option: str, typed: Sequence[str]) -> dict[str, object]:
    """The pairs as a table.

    Raises
    ------
    RecordError
        No ``=``, an empty side, or a key twice.

    Examples
    --------
    >>> pairs("--record", ["serial=7", "dial=0.3mm", "dial=0.1mm"])
    {'serial': '7', 'dial': ['0.3mm', '0.1mm']}
    """
    table: dict[str, object] = {}
    for words in typed:
        key, equals, value = words.partition("=")
        key, value = key.strip().lower().replace("-", "_"), value.strip()
        if not equals or not key or not value:
            raise RecordError(f"{option} {shown(words)}: is no key=value", hint=f"{option} serial=7")
        if key in REPEATED:
            gathered = table.setdefault(key, [])
            assert isinstance(gathered, list)
            gathered.append(value)
        elif key in table:
            raise RecordError(f"{option}: {shown(key)} is given twice")
        else:
            table[key] = value
    return table
