"""Photos as they arrive in a folder, each once it is whole."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from knurlsight.batch.folder import is_photo_name, scan

#: A photo whose size and time have not changed for so long is whole: copies over a network come in bursts.
SETTLE_S = 1.5
LOOK_MS = 250


def arriving(
    folder: Path,
    stop: threading.Event,
    settle_s: float = SETTLE_S,
) -> Iterator[Path | None]:
    """Photos of a folder or below: those that are there, then those that are written into it, until `stop` is set.

    Yields None a few times a second while there is nothing, so that the caller can see to other things. A photo that is
    written again comes again. One that is still being copied comes when it has been at rest for `settle_s`.

    Parameters
    ----------
    folder : Path
    stop : threading.Event
    settle_s : float
    """
    from watchfiles import Change, watch

    pending: dict[Path, tuple[tuple[int, int], float]] = {}
    root, begun = folder.resolve(), False
    for change in watch(
        root,
        watch_filter=None,
        debounce=LOOK_MS,
        step=50,
        rust_timeout=LOOK_MS,
        yield_on_timeout=True,
        stop_event=stop,
        raise_interrupt=False,
    ):
        if not begun:  # looked for once the watch has begun, so that none falls between
            pending = {path: ((-1, -1), 0.0) for path in scan(folder).photos}
            begun = True
        for kind, name in change:
            path = folder / Path(name).relative_to(root)
            if kind is not Change.deleted and _is_ours(path, folder):
                pending.setdefault(path, ((-1, -1), 0.0))
        now = time.monotonic()
        for path in sorted(pending):
            state, since = pending[path]
            seen = _state(path)
            if seen is None:  # gone again: a temporary name that was renamed
                del pending[path]
            elif seen != state:
                pending[path] = (seen, now)
            elif now - since >= settle_s:
                del pending[path]
                yield path
        yield None


def _is_ours(path: Path, folder: Path) -> bool:
    below = path.relative_to(folder).parts
    return is_photo_name(path.name) and not any(part.startswith(".") for part in below)


def _state(path: Path) -> tuple[int, int] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return (stat.st_size, stat.st_mtime_ns) if path.is_file() else None


@contextlib.contextmanager
def stopped_by_signals() -> Iterator[threading.Event]:
    """While a folder is watched, Ctrl-C and SIGTERM are its normal end; a second one interrupts what still goes on."""
    stop = threading.Event()

    def handle(number: int, frame: object) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    before = {number: signal.signal(number, handle) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
