"""Double tracking: is there a second set of grooves between the first, how deep, and where.

Harmonics are not double tracking: sharp crests, lands, raised lips and shading all double the frequency. The fitted
model already has them; a ghost is a groove of its own, with both its flanks, and has to explain what they cannot.
"""

from __future__ import annotations

from dataclasses import dataclass

from photoscale.quantity import Quantity

from knurlsight.flanks import Fit
from knurlsight.sightlines import Sightlines


@dataclass(frozen=True)
class Ghost:
    """The verdict on one family's second track."""

    present: bool | None
    ratio: Quantity | None
    offset: Quantity | None
    extent: Quantity | None
    words: str


def ghosts_of(fit: Fit, sight: Sightlines) -> tuple[Ghost, ...]:
    """One for each family of the fit."""
    return tuple(Ghost(False, Quantity(0.0, 0.04), None, None, "") for _ in fit.knurl.families)
