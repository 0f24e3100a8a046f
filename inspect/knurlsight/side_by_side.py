"""The same done with each of many things: one after the other, or side by side by an executor."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Future
from typing import Any, Protocol, TypeVar

A = TypeVar("A")
B = TypeVar("B")

PIECES = 8  # so many at most go to an executor: with each goes all that the work needs, a photo say


class Each(Protocol):
    """Gives what the work makes of each thing, in their order."""

    def __call__(self, work: Callable[[A], B], things: Sequence[A], /) -> list[B]:
        """`work` and `things` can be sent to another process."""
        ...


class Submits(Protocol):
    """What has `submit` as an executor has."""

    def submit(self, work: Callable[..., Any], /, *inputs: Any) -> Future[Any]:
        """Have something done."""
        ...


def in_turn(work: Callable[[A], B], things: Sequence[A], /) -> list[B]:
    """One after the other, here."""
    return [work(thing) for thing in things]


def side_by_side(executor: Submits, work: Callable[[A], B], things: Sequence[A], /) -> list[B]:
    """In pieces, by an executor; here, should its workers be ended from outside."""
    pieces = [things[i::PIECES] for i in range(min(len(things), PIECES))]
    try:
        futures = [executor.submit(in_turn, work, piece) for piece in pieces]
        results = [future.result() for future in futures]
    except BrokenExecutor:
        return in_turn(work, things)
    return [results[i % PIECES][i // PIECES] for i in range(len(things))]
