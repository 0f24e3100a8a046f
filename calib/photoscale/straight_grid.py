"""Brightness of a photo on a straight grid laid over it at any angle."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def sample(
    grey: NDArray[np.uint8], origin: Array, along: Array, across: Array, u: Array, v: Array
) -> NDArray[np.float32]:
    """Brightness, (len(v), len(u)): rows across, columns along; beyond the frame that of its edge.

    Parameters
    ----------
    grey : (h, w) uint8 array
    origin : (2,) array
        Where u = v = 0, px.
    along, across : (2,) unit arrays
    u, v : (n,), (m,) arrays
        Places along and across, px.
    """
    grid = (origin + u[None, :, None] * along + v[:, None, None] * across).astype(np.float32)
    return np.asarray(
        cv2.remap(grey, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
    )
