"""One door to every kind of scale: what the words ask for, or whatever card or rule the photo shows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from photoscale.card import find_card
from photoscale.errors import ScaleNotFound
from photoscale.photo import Photo
from photoscale.reading import DiameterReading, PlainReading, Reading
from photoscale.words import NOMINAL_SQUARE_MM, U_UNMEASURED_PRINT_REL, CardWord, DiameterWord, PlainWord, ScaleWord

UNMEASURED_CARD = CardWord(NOMINAL_SQUARE_MM, NOMINAL_SQUARE_MM * U_UNMEASURED_PRINT_REL, False)

Array = NDArray[np.float64]


def find_scale(photo: Photo, word: ScaleWord | None = None, avoid: Sequence[Array] = ()) -> Reading:
    """Find the scale that the user named, or any.

    Parameters
    ----------
    photo : Photo
    word : ScaleWord, optional
        None: a card is looked for, then a rule.
    avoid : sequence of (k, 2) arrays
        Outlines in px of the measured parts, which are never taken for a scale.

    Raises
    ------
    ScaleNotFound
        With the reason and the cure.
    """
    match word:
        case CardWord():
            return find_card(photo.grey, word)
        case DiameterWord():
            return DiameterReading(word.diameter)
        case PlainWord():
            return PlainReading(word.mm_per_px)
        case None:
            return find_card(photo.grey, UNMEASURED_CARD)
    raise ScaleNotFound("rules, pins and rigs are not read yet")
