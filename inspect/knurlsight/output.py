"""Files are written whole or not at all: to a temporary name beside the target, then renamed."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

from knurlsight.errors import OutputError

STDOUT = "-"


def check_writable(path: Path, inputs: Iterable[Path] = ()) -> None:
    """Refuse an output that could not be written, before any work is done for it.

    Parameters
    ----------
    path : Path
        Where a file is going to be written; ``-`` is standard output and always fine.
    inputs : iterable of Path
        Files that must not be overwritten.

    Raises
    ------
    OutputError
        The folder is missing or read-only, the name is a folder's, or the target is one of the inputs.
    """
    if str(path) == STDOUT:
        return
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; name a file in it", hint=f"{path / 'result.json'}")
    if path.exists() and not path.is_file():
        return  # a pipe or /dev/null: written to directly, nothing to rename
    if not path.parent.is_dir():
        raise OutputError(f"{path}: the folder {path.parent} is missing", hint=f"mkdir -p {path.parent}")
    if not os.access(path.parent, os.W_OK):
        raise OutputError(f"{path}: the folder {path.parent} is not writable", hint="name a file in a folder of yours")
    if path.exists() and any(i.exists() and path.samefile(i) for i in inputs):
        raise OutputError(f"{path}: is also an input and would be overwritten; name another file for the output")


def write_bytes(path: Path, data: bytes) -> None:
    """Write `data` to `path`, or to standard output for ``-``; an interruption leaves the old file or none.

    Raises
    ------
    OutputError
        The file cannot be written (no space, no permission, no folder).
    """
    if str(path) == STDOUT:
        try:
            sys.stdout.flush()
            stream = getattr(sys.stdout, "buffer", None)
            if stream is None:
                sys.stdout.write(data.decode("utf-8"))
            else:
                stream.write(data)
                stream.flush()
        except BrokenPipeError:
            pass  # the reader has seen enough (`| head`); the exit status still tells the verdict
        return
    temporary: Path | None = None
    try:
        if path.exists() and not path.is_file():
            path.write_bytes(data)
            return
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(_usual_mode())
        temporary.replace(path)
        temporary = None
    except OSError as e:
        raise OutputError(
            f"{path}: cannot be written ({e.strerror or e})", hint="check the folder and its space"
        ) from e
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """`write_bytes` for text, in UTF-8."""
    write_bytes(path, text.encode("utf-8"))


def _usual_mode() -> int:
    """Permissions that an ordinary new file would get; a temporary file is private."""
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
