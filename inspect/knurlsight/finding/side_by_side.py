"""The same done with each of many things: one after the other, or by whatever does them side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

A = TypeVar("A")
B = TypeVar("B")


class Each(Protocol):
    """Gives what the work makes of each thing, in their order."""

    def __call__(self, work: Callable[[A], B], things: Sequence[A], /) -> list[B]:
        """`work` and `things` can be sent to another process."""
        ...


def in_turn(work: Callable[[A], B], things: Sequence[A], /) -> list[B]:
    """One after the other, here."""
    return [work(thing) for thing in things]
