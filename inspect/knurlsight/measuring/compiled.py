"""Loops over samples, compiled when they are first called and kept on disk for the next run.

Numba turns them into the processor's vector instructions. With NumPy, an operation at a time over blocks that fit the
cache, a step of the fit took three times as long (413 against 130 ns a sample, matrix products included), and so did
the reading of facets (3.2 against 1.0 s a part).

What keeps LLVM from taking eight samples at once: a branch on what differs from sample to sample but not between two
plain values, an index that might count from the end, and reading more rows side by side than it dares to compare.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import llvmlite.binding
import numba

Function = Callable[..., Any]

# whether any row that is written overlaps another is found out in 128 comparisons at most, then it gives up
llvmlite.binding.set_option("", "--vectorize-memory-check-threshold=1000")
# all but changes of order, which would make sums differ from machine to machine
LAX = {"nnan", "ninf", "nsz", "arcp", "contract"}


def compiled(function: Function) -> Function:
    """A loop over samples."""
    options: dict[str, Any] = {"fastmath": LAX, "error_model": "numpy", "nogil": True}
    try:
        made: Function = numba.njit(cache=True, **options)(function)
    except RuntimeError:  # nowhere to keep it: neither beside the code nor in the user's cache
        made = numba.njit(**options)(function)
    return made


def step_of(function: Function) -> Function:
    """A step of such a loop, put into it wherever it is called."""
    made: Function = numba.njit(fastmath=LAX, error_model="numpy", forceinline=True)(function)
    return made
