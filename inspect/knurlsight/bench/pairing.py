"""Pairing: a short code on the computer's screen, typed or scanned once by the phone.

The code is eight digits, good for one device and ten minutes. Ten wrong ones, from whomever, make a new one: the chance
of a guess is then 1e-7 for each code shown, and a row of guesses is slowed to ten in `SLOW_S`.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass

from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.state import now

DIGITS = 8
GOOD_FOR_S = 600.0
MOST_WRONG = 10
MOST_WRONG_EACH = 5
SLOW_S = 300.0
MOST_ADDRESSES = 1000


@dataclass(frozen=True)
class Code:
    """A pairing code and when it ends."""

    digits: str
    ends: float

    @property
    def words(self) -> str:
        """As it is shown: two groups."""
        half = DIGITS // 2
        return f"{self.digits[:half]} {self.digits[half:]}"


class PairingDesk:
    """Keeps the one code that is good now; asked from several threads."""

    def __init__(self, on_new: Callable[[Code], None] = lambda code: None, clock: Callable[[], float] = now) -> None:
        self._lock = threading.Lock()
        self._clock = clock
        self._on_new = on_new
        self._wrong: list[tuple[float, str]] = []
        self._code = self._made()

    def code(self) -> Code:
        """The code to show; a new one when the last has run out."""
        with self._lock:
            if self._clock() >= self._code.ends:
                self._code = self._made()
            return self._code

    def use(self, typed: str, address: str) -> None:
        """Use the code up; it is good once.

        Raises
        ------
        RefusedError
            Wrong or run out (403), or too many wrong ones (429).
        """
        with self._lock:
            time = self._clock()
            self._wrong = [w for w in self._wrong if w[0] > time - SLOW_S]
            of_address = sum(1 for _, a in self._wrong if a == address)
            if of_address >= MOST_WRONG_EACH or len(self._wrong) >= MOST_WRONG:
                raise RefusedError(
                    429,
                    "too-many-codes",
                    "too many wrong codes; pairing rests for five minutes",
                    "then read the code anew from the computer's screen",
                    retry_after_s=int(SLOW_S),
                )
            digits = "".join(c for c in typed if c.isascii() and c.isdigit())
            good = hmac.compare_digest(digits, self._code.digits) and time < self._code.ends
            if not good:
                self._wrong = [*self._wrong, (time, address)][-MOST_ADDRESSES:]
            if good or len(self._wrong) >= MOST_WRONG or time >= self._code.ends:
                self._code = self._made()
                self._on_new(self._code)
        if not good:
            raise RefusedError(
                403,
                "wrong-code",
                "that is not the code on the computer's screen, or it has run out",
                "read it again: eight digits, good for ten minutes and one device",
            )

    def _made(self) -> Code:
        return Code(f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}", self._clock() + GOOD_FOR_S)
