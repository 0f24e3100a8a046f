"""One door to every kind of scale: what the words ask for, or whatever card or rule the photo shows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from photoscale.card import find_card
from photoscale.errors import ScaleNotFound
from photoscale.photo import Photo
from photoscale.pin import find_pin
from photoscale.reading import DiameterReading, OneReading, PlainReading, Reading, TwoReadings, covered_px
from photoscale.rig import load_rig, rig_reading
from photoscale.rule import find_rule
from photoscale.words import (
    NOMINAL_SQUARE_MM,
    U_UNMEASURED_PRINT_REL,
    CardWord,
    DiameterWord,
    OneScaleWord,
    PinWord,
    PlainWord,
    RigWord,
    RuleWord,
    ScaleWord,
    TwoScalesWord,
)

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
    RigError
        The rig named is not there or does not fit the photo.
    """
    if isinstance(word, TwoScalesWord):
        # a rule's long edges look like a pin's, so a pin comes last
        if isinstance(word.first, PinWord):
            second = _one(photo, word.second, avoid)
            return TwoReadings(_one(photo, word.first, [*avoid, *covered_px(second)]), second)
        first = _one(photo, word.first, avoid)
        return TwoReadings(first, _one(photo, word.second, [*avoid, *covered_px(first)]))
    return _one(photo, word, avoid)


def _one(photo: Photo, word: OneScaleWord | None, avoid: Sequence[Array]) -> OneReading:
    match word:
        case CardWord():
            return find_card(photo.grey, word)
        case RuleWord():
            return find_rule(photo.grey, word, avoid)
        case DiameterWord():
            return DiameterReading(word.diameter)
        case PlainWord():
            return PlainReading(word.mm_per_px)
        case PinWord():
            return find_pin(photo.grey, word, avoid)
        case RigWord():
            return rig_reading(load_rig(word.name), (photo.width_px, photo.height_px))
        case None:
            return _any(photo, avoid)


def _any(photo: Photo, avoid: Sequence[Array]) -> OneReading:
    """Whatever card or rule is there; it says which."""
    try:
        return find_card(photo.grey, UNMEASURED_CARD)
    except ScaleNotFound as no_card:
        try:
            return find_rule(photo.grey, RuleWord(None), avoid)
        except ScaleNotFound:
            if "no card" not in no_card.what:  # a card is there, and something is wrong with it
                raise no_card from None
            raise ScaleNotFound(
                "neither a card nor a rule is in the photo", "lay one beside the part, or measure it and give od:"
            ) from None
