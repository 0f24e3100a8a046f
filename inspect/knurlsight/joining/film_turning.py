"""How far a part turned from frame to frame of a film, in teeth, and when it has come round once.

The lines tell the turn up to whole teeth. Which whole tooth follows from two things: a hand turns steadily, and the
scratches between the lines move along. The same scratches tell when a side of the part is back: then the teeth that
have gone by are the teeth round it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

Array = NDArray[np.float64]
Frames = NDArray[np.float32]

SMOOTH_TEETH = 0.25  # change of speed from frame to frame that is usual
DETAIL_WEIGHT = 8.0  # of an agreement of 1, as log odds; true neighbours reach 0.02 to 0.1, others 0.00 +- 0.03
AT_REST_TEETH = 0.02  # scatter of the lines of a part that stands still: 0.004
STOP, BACK = 2.0, 2.0  # costs of a stop or start, at any speed, and of a turn back without one
BY_CHANCE = 3.0  # -log of the share of speeds that look like rest: as many as lie within ±0.02 of a whole tooth
CHOICES = np.arange(-2, 3)  # whole teeth a frame may have gone further than its lines say
LIGHT_SHAPES = 8  # shapes of brightness that the pattern takes in one light as it turns
LEAST_TURN_TEETH = 4.0  # seen twice, to know a side again
CLEAR = 3.0  # standard deviations by which the right count must stand out
CLOSE = 1.5  # and over the next best


@dataclass(frozen=True)
class Turning:
    """What the frames say.

    Attributes
    ----------
    teeth_gone : (n,) array
        Teeth gone by since the first frame, positive towards positive θ.
    whole : int or None
        Teeth round the part, where it was seen to come round.
    """

    teeth_gone: Array
    whole: int | None


def detail(patches: Frames) -> Frames:
    """What is left of the patches (frames, rows, columns) without the pattern in its light: scratches and noise.

    In one light the pattern looks the same whenever its lines stand the same, so its looks fill a few dimensions
    (Karhunen-Loève; those of largest variance over the frames are taken out). Too few frames leave nothing: what the
    pattern looks like could not be told from scratches.
    """
    if len(patches) < 4 * LIGHT_SHAPES:
        return np.zeros_like(patches)
    flat = patches.reshape(len(patches), -1).astype(np.float64)
    flat = flat - flat.mean(axis=0)
    _, vectors = np.linalg.eigh(flat @ flat.T)
    shapes = vectors[:, -LIGHT_SHAPES:]
    return np.asarray((flat - shapes @ (shapes.T @ flat)).reshape(patches.shape), np.float32)


def turning(steps: Array, left: Frames, teeth: Quantity, row_rad: float) -> Turning:
    """Teeth gone by, and the count round.

    Parameters
    ----------
    steps : (n - 1,) array
        Turns by which the lines moved from each frame to the next, modulo 1.
    left : (n, rows, columns) array
        From `detail`.
    teeth : Quantity
        Round the part, from single frames.
    row_rad : float
        θ from row to row.
    """
    per_tooth = 2 * np.pi / teeth.value / row_rad  # rows
    gone = np.concatenate([[0.0], np.cumsum(steps + _whole_steps(steps, left, per_tooth))])
    return Turning(gone, _count(gone, left, teeth, per_tooth))


def _agreement(before: Frames, after: Frames, rows: int) -> float:
    n = len(before)
    if abs(rows) > 0.8 * n:
        return 0.0
    a, b = (before[: n - rows], after[rows:]) if rows >= 0 else (before[-rows:], after[: n + rows])
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / size if size else 0.0


def _whole_steps(steps: Array, left: Frames, per_tooth: float) -> Array:
    """The likeliest row of whole teeth (dynamic programming over the speeds)."""
    own = np.array(
        [
            [
                -DETAIL_WEIGHT * max(0.0, _agreement(left[i], left[i + 1], round((steps[i] + m) * per_tooth)))
                for m in CHOICES
            ]
            for i in range(len(steps))
        ]
    )
    own[np.abs(steps) < AT_REST_TEETH] += BY_CHANCE * (CHOICES != 0)
    # a slow start is likelier than a fast one
    cost = own[0] + (steps[0] + CHOICES) ** 2 / 2
    came: list[NDArray[np.intp]] = []
    for i in range(1, len(steps)):
        after, before = (steps[i] + CHOICES)[:, None], (steps[i - 1] + CHOICES)[None, :]
        change = np.minimum((after - before) ** 2 / (2 * SMOOTH_TEETH**2), 12.0)
        rests = (np.abs(after) < AT_REST_TEETH) | (np.abs(before) < AT_REST_TEETH)
        change = np.where(rests, np.minimum(change, STOP), change + BACK * (after * before < 0))
        total = cost[None, :] + change
        came.append(total.argmin(axis=1))
        cost = own[i] + total.min(axis=1)
    at = int(cost.argmin())
    path = [at]
    for back in reversed(came):
        at = int(back[at])
        path.append(at)
    return np.asarray(CHOICES[path[::-1]], np.float64)


def _count(gone: Array, left: Frames, teeth: Quantity, per_tooth: float) -> int | None:
    """The whole number of teeth after which the same scratches come by; None when none stands out."""
    reach = int(np.ptp(gone) - LEAST_TURN_TEETH)
    around = np.arange(round(teeth.value) - 8, min(round(teeth.value) + 8, reach) + 1)
    near = 0.6 * len(left[0]) / per_tooth
    scores = []
    for n in around:
        values = [
            _agreement(left[i], left[j], round((gone[j] - gone[i] - np.sign(gone[j] - gone[i]) * n) * per_tooth))
            for i in range(len(gone))
            for j in range(i, len(gone))
            if abs(abs(gone[j] - gone[i]) - n) < near
        ]
        scores.append(float(np.mean(values)) if len(values) > 10 else 0.0)
    if len(scores) < 5:
        return None
    order = np.argsort(scores)
    best = int(order[-1])
    rest = np.delete(scores, best)
    spread = float(rest.std()) or 1.0
    stands_out = scores[best] > rest.mean() + CLEAR * spread and scores[best] > rest.max() + CLOSE * spread
    likely = abs(around[best] - teeth.value) < 3 * teeth.u + 0.5
    return int(around[best]) if stands_out and likely else None
