"""Reads a second track from folded cells: a small convolutional network with wrapped borders, in plain NumPy.

It was trained on rendered cells of random patterns, lights and metals (`tests/bench/train_cell_reader.py`), never on a
photo; its weights stand in `cell_reader.npz`. Borders wrap because a cell has none, and the pools at the end forget
where in the cell a line lies: only whether there is a second one, how deep, how far away.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Array = NDArray[np.float32]

WEIGHTS = "cell_reader.npz"
CLIP = 4.0  # of the cell's own spread


@dataclass(frozen=True)
class CellReading:
    """What the cells of one window say of one family: log odds of a second track; if so, its ratio and offset."""

    log_odds: float
    ratio: float
    u_ratio: float
    offset: float


@cache
def _weights() -> dict[str, Array]:
    with (files("knurlsight.measuring") / WEIGHTS).open("rb") as file, np.load(file) as stored:
        return {name: stored[name].astype(np.float32) for name in stored.files}


def read_cells(cells: Array) -> CellReading | None:
    """Read the cells (arcs, n, n) of one window, rows along the phase of the family asked for; None where none is."""
    if len(cells) == 0 or not np.isfinite(cells).all():
        return None
    w = _weights()
    x = np.clip(cells, -CLIP, CLIP)[:, None].astype(np.float32)
    x = _convolved(_convolved(x, w["c1.weight"], w["c1.bias"]), w["c2.weight"], w["c2.bias"])
    n, k, rows, columns = x.shape
    x = x.reshape(n, k, rows // 2, 2, columns // 2, 2).mean(axis=(3, 5))
    x = _convolved(_convolved(x, w["c3.weight"], w["c3.bias"]), w["c4.weight"], w["c4.bias"])
    lines = np.concatenate([x.mean(axis=3), x.max(axis=3)], axis=1)  # along the family's own lines
    lines = _convolved(lines[..., None], w["d.weight"][..., None], w["d.bias"])[..., 0]
    each = np.concatenate([lines.mean(axis=2), lines.max(axis=2)], axis=1)
    together = np.concatenate([each.mean(axis=0), each.max(axis=0)])
    hidden = np.maximum(w["f1.weight"] @ together + w["f1.bias"], 0)
    log_odds, ratio, log_u, offset = (float(v) for v in w["f2.weight"] @ hidden + w["f2.bias"])
    return CellReading(log_odds, ratio, float(np.exp(np.clip(log_u, -4, 1))), offset)


def _convolved(x: Array, kernel: Array, bias: Array) -> Array:
    """Convolution with wrapped borders, then the positive part. x (n, c, h, w), kernel (o, c, a, b)."""
    high, wide = kernel.shape[2:]
    pads = ((0, 0), (0, 0), (high // 2, high // 2), (wide // 2, wide // 2))
    seen = sliding_window_view(np.pad(x, pads, mode="wrap"), (high, wide), axis=(2, 3))
    out = np.tensordot(seen, kernel, axes=([1, 4, 5], [1, 2, 3])) + bias
    return np.asarray(np.maximum(out, 0).transpose(0, 3, 1, 2), np.float32)
