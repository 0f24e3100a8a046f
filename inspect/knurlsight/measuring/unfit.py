"""Why a photo does not show a pattern: burnt out, out of focus, shaken, too coarse; said with the figure measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from photoscale.sharpness import measure_blur, measure_sharpness

MOST_BURNT, MOST_BURNT_PHOTO = 0.35, 0.8  # of the part, of a photo in which none was found
WELL_SAMPLED_PX = 12.0  # to a pitch; where lines so far apart are lost, blur is to blame


def unfit(
    grey: NDArray[np.uint8], part_px: NDArray[np.float64] | None = None, px_per_pitch: float | None = None
) -> str:
    """What is wrong with the photo, in words with the cure; empty where nothing that was measured is.

    Parameters
    ----------
    grey : (h, w) uint8 array
    part_px : (k, 2) array, optional
        Outline of the part.
    px_per_pitch : float, optional
        Of the pattern that is wanted, where that and the scale are known.
    """
    burnt = measure_sharpness(grey, part_px).saturated_share
    if burnt > (MOST_BURNT_PHOTO if part_px is None else MOST_BURNT):
        where = "photo" if part_px is None else "part"
        return f"{burnt:.0%} of the {where} is blown out by glare: lamp lower and from one end, or expose less"
    if px_per_pitch is not None and px_per_pitch < WELL_SAMPLED_PX:
        return (
            f"the pitch that is wanted has only about {px_per_pitch:.0f} px here, {WELL_SAMPLED_PX:.0f} measure well: "
            "closer"
        )
    blur = measure_blur(grey)  # of the whole photo: a strong pattern by itself looks like blur
    if blur is None:
        return ""
    if blur.lost_px > (px_per_pitch or WELL_SAMPLED_PX):
        return (
            f"the photo is out of focus: it is blurred by {blur.sigma_px:.0f} px, lines under {blur.lost_px:.0f} px "
            "apart are lost: focus on the crest nearest the camera, and hold still"
        )
    if blur.shaken:
        return "the camera moved: fine detail is missing in one direction: more light, and something to lean on"
    return ""
