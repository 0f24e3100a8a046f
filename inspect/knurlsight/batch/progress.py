"""How far a batch is, on stderr: a line that is rewritten on a terminal, now and then a line elsewhere."""

from __future__ import annotations

import sys
import time

#: Seconds between lines where stderr is a file or a pipe.
QUIET_S = 10.0


class Progress:
    """Counts parts as they come.

    Parameters
    ----------
    total : int or None
        How many there will be; None when nobody knows.
    what : str
        What is counted, in the plural.
    """

    def __init__(self, total: int | None, what: str = "photos") -> None:
        self.total, self.what = total, what
        self.seen = self.measured = self.fails = 0
        self.begin = self.said = time.monotonic()
        self.stream = sys.stderr

    def show(self, verdict: str | None, is_new: bool = True) -> None:
        """Count one part."""
        self.seen += 1
        self.measured += is_new
        self.fails += verdict == "fail"
        now = time.monotonic()
        on_terminal = self.stream.isatty()
        if not on_terminal and now - self.said < QUIET_S and self.seen != self.total:
            return
        self.said = now
        self.stream.write(f"\r{self.words(now)}\x1b[K" if on_terminal else f"{self.words(now)}\n")
        self.stream.flush()

    def words(self, now: float) -> str:
        """ "40 of 200 photos, 1.90 a second, 1 min 24 s left, 3 failed"."""
        rate = self.measured / max(now - self.begin, 1e-6)
        of = f" of {self.total}" if self.total is not None else ""
        parts = [f"{self.seen}{of} {self.what}", f"{rate:.2f} a second"]
        if self.total is not None and rate:
            parts.append(f"{duration((self.total - self.seen) / rate)} left")
        return ", ".join([*parts, f"{self.fails} failed"])

    def end(self) -> None:
        """Leave the line."""
        if self.stream.isatty() and self.seen:
            self.stream.write("\n")


def duration(seconds: float) -> str:
    """Seconds in words: "42 s", "3 min 5 s", "2 h 10 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    return f"{minutes} min {rest} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
