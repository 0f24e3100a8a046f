"""What a scale in a photo hands on to the geometry, whichever kind it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from photoscale.camera import Camera
from photoscale.card import CardReading
from photoscale.quantity import Quantity

Array = NDArray[np.float64]

# a card goes on half so far all round its inner corners, in mean sides of theirs; a rule round its marks, in its width
CARD_MARGIN, RULE_MARGIN = 0.7, 0.5


@dataclass(frozen=True)
class RuleReading:
    """Graduation lines of a rule.

    Attributes
    ----------
    points_px : (n, 2) array
        A point on each line; those of one edge lie at the same height across the rule.
    along_mm : (n,) array
        Marked distance of the line from a common line of both edges.
    edge : (n,) int array
        0 or 1: the edge the line belongs to.
    step_mm : float
        The finest graduation found.
    steps_mm : (float, float)
        Graduation of edge 0 and of edge 1; the second NaN when only one was found.
    graduation : str
        In words, such as ``"1 mm"`` or ``"1/32 in and 1/64 in"``.
    u_points_px : float
        Standard uncertainty of a point along the rule, from the scatter about the fitted perspective.
    residual_px : float
        RMS of that scatter.
    u_across_px : float
        Standard uncertainty of a point across the rule, common to an edge.
    outline_px : (4, 2) array
        What was read, for drawing and for keeping other searches away.
    notes : tuple of str
    """

    points_px: Array
    along_mm: Array
    edge: NDArray[np.int64]
    step_mm: float
    steps_mm: tuple[float, float]
    graduation: str
    u_points_px: float
    residual_px: float
    u_across_px: float
    outline_px: Array
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class PinReading:
    """A ground pin beside the part.

    Attributes
    ----------
    edge_a, edge_b : (2, 2) arrays
        Its silhouette lines, two points (x, y) each, same direction.
    diameter : Quantity
        mm.
    u_px : float
        Standard uncertainty of each line's offset.
    notes : tuple of str
    """

    edge_a: Array
    edge_b: Array
    diameter: Quantity
    u_px: float
    notes: tuple[str, ...] = ()

    @property
    def outline_px(self) -> Array:
        """Corners (4, 2), for drawing."""
        return np.vstack([self.edge_a, self.edge_b[::-1]])


@dataclass(frozen=True)
class DiameterReading:
    """The measured part's own diameter over the crests, mm; nothing is read from the photo."""

    diameter: Quantity
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class PlainReading:
    """Millimetres per pixel at the crest as typed; u 0 means that no uncertainty was stated."""

    mm_per_px: Quantity
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class RigReading:
    """A stored camera and the card that once lay on its bench; nothing of it is in the photo.

    Attributes
    ----------
    name : str
    camera : Camera
    card : CardReading
    notes : tuple of str
    """

    name: str
    camera: Camera
    card: CardReading
    notes: tuple[str, ...] = ()


Marks = CardReading | RuleReading | PinReading | DiameterReading | PlainReading
OneReading = Marks | RigReading


@dataclass(frozen=True)
class TwoReadings:
    """Two scales that must agree."""

    first: OneReading
    second: OneReading

    @property
    def notes(self) -> tuple[str, ...]:
        """Of both."""
        return self.first.notes + self.second.notes


Reading = OneReading | TwoReadings


def each_reading(reading: Reading | None) -> tuple[OneReading, ...]:
    """The one or two scales that were read; none for None."""
    if isinstance(reading, TwoReadings):
        return reading.first, reading.second
    return () if reading is None else (reading,)


def covered_px(reading: Reading | None) -> tuple[Array, ...]:
    """Corners (4, 2) px of what each card or rule covers."""
    covered = []
    for one in each_reading(reading):
        if isinstance(one, CardReading | RuleReading):
            middle, (wide, high), turned = cv2.minAreaRect(one.outline_px.astype(np.float32))
            card = isinstance(one, CardReading)
            margin = CARD_MARGIN * math.sqrt(wide * high) if card else RULE_MARGIN * min(wide, high)
            covered.append(np.asarray(cv2.boxPoints((middle, (wide + margin, high + margin), turned)), np.float64))
    return tuple(covered)
