"""A result file from disk, as ``inspect --json`` writes it; a stranger's file until it is checked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, NoReturn

from knurlsight.errors import RecordError

MAX_BYTES = 50_000_000


def read_result_file(path: Path) -> dict[str, Any]:
    """The JSON object of a result file.

    Raises
    ------
    RecordError
        No file, too big, no JSON, numbers that are not finite, or no object.
    ExchangeError
        An object, but no result file of this version.
    """
    from knurlsight.exchange.inspected import read_result

    try:
        if not path.is_file():
            raise RecordError(f"{path}: no such file", hint="knurlsight inspect PHOTO --json result.json")
        if path.stat().st_size > MAX_BYTES:
            raise RecordError(f"{path}: over {MAX_BYTES // 1_000_000} MB, more than a result file has")
        read = json.loads(path.read_bytes(), parse_constant=_refused)
    except OSError as e:
        raise RecordError(f"{path}: cannot be read ({e.strerror})") from e
    except (ValueError, RecursionError) as e:
        raise RecordError(f"{path}: is no JSON file", hint="knurlsight inspect PHOTO --json result.json") from e
    if not isinstance(read, dict):
        raise RecordError(f"{path}: is no result file", hint="knurlsight inspect PHOTO --json result.json")
    read_result(read, str(path))
    return read


def _refused(name: str) -> NoReturn:
    raise ValueError(name)
