"""How the brightness that the flank model predicts changes with each of its parameters.

Taken backwards through the model, from the brightness to the depth at which each line of sight ends and on to what it
passed on the way (reverse accumulation, Linnainmaa 1970): all of it costs about as much as the model once more. Rays
that jump from one flank to another have no slope and count as none. Against differences of the model, which hold some
of those jumps, fits of eight steps ended lower on six path-traced photos of seven.
"""

from __future__ import annotations

import numpy as np

from knurlsight.measuring.flanks import DAMPED, FIRST_DEPTH, SIGHT_STEPS, Borders, Name, Seen, View
from knurlsight.measuring.sightlines import Image

F = np.float32


def slopes(view: View, light: Image) -> dict[Name, Image]:
    """Change of the brightness with phase and fill of each family, with profile angle (deg) and blur.

    Parameters
    ----------
    view : View
    light : (k, ...) array
        Brightness of each kind, to be broadcast over the samples.
    """
    knurl, count = view.knurl, len(view.families)
    by_land, by_right, by_first, by_relative = _by_shares(view, light)
    by_blur = np.zeros_like(view.depth)
    by_top: Image | None = None
    if by_first is not None:
        by_first *= _same(view.first, view.whose)
        by_blur -= by_first * (view.whose - F(0.5))
        by_top = by_first * view.wide
    # depth enters the shading relative to its mean
    by_depth = by_relative * F(1 / knurl.mean_depth)
    by_mean = by_depth * view.depth
    by_mean *= F(-1 / knurl.mean_depth)
    out: dict[Name, Image] = {}
    for k, seen in enumerate(view.families):
        by_phase, by_fill, blur = _by_family(
            seen, by_land[k], by_right[k], by_top if k == 0 or by_top is None else -by_top
        )
        by_blur += blur
        by_depth -= by_phase * seen.lines.rate(view.depth)
        out[k, "phase"], out[k, "fill"] = by_phase, by_fill
    by_angle = np.zeros_like(view.depth)
    for step in reversed(range(SIGHT_STEPS)):
        depth, phases, depths, surface = view.steps[step]
        last = step == SIGHT_STEPS - 1
        by_surface = by_depth if last else F(DAMPED) * by_depth
        by_depth = np.zeros_like(by_depth) if last else F(1 - DAMPED) * by_depth
        by_angle += by_surface * surface
        for k, lines in enumerate(view.lines):
            rate = lines.rate(depth)
            for x, h, (_, reach, _) in zip(phases[k], depths[k], lines.sets, strict=True):
                by_height = _same(h, surface)
                by_height *= by_surface
                by_height *= lines.steep
                out[k, "fill"] += (F(0.5) * reach) * by_height
                by_height *= np.sign(x)
                out[k, "phase"] += by_height
                by_height *= rate
                by_depth -= by_height
    by_mean += F(FIRST_DEPTH) * by_depth
    angle = np.radians(knurl.profile_angle_deg)
    for k, g in enumerate(knurl.families):
        out[k, "fill"] += by_mean * F(g.depth(knurl.profile_angle_deg) / (g.fill * count))
    # all depths go with 1 / tan(angle / 2), so relatively with -1 / sin(angle)
    by_angle += by_mean * F(knurl.mean_depth)
    by_angle *= F(-np.pi / 180 / np.sin(angle))
    by_blur *= F(1 / knurl.blur)
    return {**out, (-1, "profile_angle_deg"): by_angle, (-1, "blur"): by_blur}


def _by_shares(view: View, light: Image) -> tuple[list[Image], list[Image], Image | None, Image]:
    """By land and right-hand share of each family, by the first one's share of what both cut, by the relative depth."""
    n = 2 * len(view.families)
    by_relative = np.zeros_like(view.depth)
    mean, by_right = [], []  # brightness of the flanks of each family
    for k, (flank, seen) in enumerate(zip(view.flanks, view.families, strict=True)):
        left = light[2 * k + 2 :: n]
        more = light[2 * k + 1 :: n] - left
        if view.knurl.has_shading:
            change = (F(2) * more[2]) * view.relative
            change += more[1]
            change *= seen.right
            change += left[1]
            change += (F(2) * left[2]) * view.relative
            change *= flank
            by_relative += change
            left, more = (a[1] * view.relative + a[0] + a[2] * view.square for a in (left, more))
        else:
            left, more = left[0], more[0]
        mean.append(seen.right * more + left)
        by_right.append(flank * more)
    if len(view.families) == 1:
        return [light[0] - mean[0]], by_right, None, by_relative
    a, b = view.families
    apart = mean[0] - mean[1]
    if view.knurl.crossing == "recessed":
        middle = mean[0] - view.first * apart
        middle -= light[0]
        return [-b.cut * middle, -a.cut * middle], by_right, -view.both * apart, by_relative
    of_first = view.first * apart
    by_land = [
        b.land * (light[0] - mean[0]) - b.cut * of_first,
        a.land * (light[0] - mean[1]) + a.cut * (apart - of_first),
    ]
    return by_land, by_right, view.both * apart, by_relative


def _by_family(seen: Seen, by_land: Image, by_right: Image, by_top: Image | None) -> tuple[Image, Image, Image]:
    """By phase, fill and the logarithm of the blur of one family, at a given depth."""
    land_x, land_fill, land_blur, right_x, right_blur = _by_borders(seen.borders[0])
    right_fill: Image | None = None
    if len(seen.borders) == 2:
        one, two = seen.borders
        land2_x, land2_fill, land2_blur, right2_x, right2_blur = _by_borders(two)
        by_first = _same(seen.first, seen.whose) * (one.right - two.right)
        right_blur = right2_blur + seen.first * (right_blur - right2_blur) - by_first * (seen.whose - F(0.5))
        by_first *= F(0.5) * seen.lines.across
        on, on2 = (np.asarray(h > 0, F) for h in seen.depths)
        right_x = right2_x + seen.first * (right_x - right2_x) - by_first * (np.sign(one.x) * on - np.sign(two.x) * on2)
        right_fill = by_first * (F(0.5) * on - F(0.5) * two.reach * on2)
        land_x = land_x * two.land + land2_x * one.land
        land_fill = land_fill * two.land + land2_fill * one.land
        land_blur = land_blur * two.land + land2_blur * one.land
    by_x, by_fill, by_blur = land_x * by_land, land_fill * by_land, land_blur * by_land
    by_x += right_x * by_right
    by_blur += right_blur * by_right
    if right_fill is not None:
        by_fill += right_fill * by_right
    if by_top is not None:
        for x, h, (_, reach, _) in zip(seen.phases, seen.depths, seen.lines.sets, strict=True):
            by_height = _same(h, seen.top)
            by_height *= by_top
            by_height *= seen.lines.steep
            by_fill += (F(0.5) * reach) * by_height
            by_height *= np.sign(x)
            by_x -= by_height
    return -by_x, by_fill, by_blur


def _by_borders(b: Borders) -> tuple[Image, Image, Image, Image, Image]:
    """Change of the land with phase, fill and logarithm of the blur; of the right-hand share with phase and that."""
    near, far = _same(b.near_share, b.near), _same(b.far_share, b.far)
    land_x = near - far
    land_x *= b.across
    land_x *= np.sign(b.x)
    land_fill = near + far
    land_fill *= b.across
    land_fill *= F(-0.5) * b.reach
    near *= F(0.5) - b.near_share
    far *= F(0.5) - b.far_share
    near -= far
    between = _same(b.side, b.away)
    right_x = F(2) * _same(b.tent, b.x)
    right_x -= F(1)
    right_x *= between
    right_x *= b.across
    between *= b.side
    return land_x, land_fill, near, right_x, -between


def _same(a: Image, b: Image) -> Image:
    """1 where nothing was clipped or chosen otherwise, else 0: far faster than a choice sample by sample."""
    return np.asarray(a == b, F)
