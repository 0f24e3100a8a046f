"""What every line of sight sees of a knurl, and how that changes with the knurl's parameters: one sample at a time.

The slopes are taken backwards through the model, from the brightness to the depth at which the line of sight ends and
on to what it passed on the way (reverse accumulation, Linnainmaa 1970): all of them cost about as much as the model
once more. Lines of sight that jump from one flank to another have no slope and count as none. Against differences of
the model, which hold some of those jumps, fits of eight steps ended lower on six path-traced photos of seven.

The names: x is a phase in turns from the middle of a groove, h a height of its flank below the crest in radii (below 0
on the land), `by_…` the change of the brightness with something. A family's second set of grooves is its ghost.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.compiled import compiled, step_of

F = np.float32
Row = NDArray[np.float32]
Rows = NDArray[np.float32]

BLUR_BOX = 3.0  # width of a box with the spread of a Gaussian of sigma 1, rounded down for sharpened photos
FIRST_DEPTH = F(0.38)  # of the mean groove depth
DAMPED = F(0.65)  # on flanks steeper than the line of sight the plain iteration swings
KEPT = F(1 - 0.65)
MEAN_DEPTH, MEAN_SQUARE = F(0.4), F(0.08)  # so that the terms of the shading are nearly square to each other
HALF, ONE, TWO, ZERO = F(0.5), F(1), F(2), F(0)

#: What is known of a line of sight: where it meets the crest, how it goes on below, how its neighbours differ.
RAYS = ("theta", "z", "theta_1", "z_1", "theta_2", "z_2", "theta_u", "z_u", "theta_v", "z_v")
#: Rows that `slopes_of_rays` writes, as names of parameters: family (-1 for common ones) and what.
SLOPES = (
    (0, "phase"),
    (1, "phase"),
    (0, "fill"),
    (1, "fill"),
    (0, "around"),
    (1, "around"),
    (0, "along"),
    (1, "along"),
    (-1, "around"),
    (-1, "profile_angle_deg"),
    (-1, "blur"),
)
KINDS = 13  # of surface, at most
#: Numbers of a family, in the order of `Grooves.numbers`
NUMBERS = ("around", "along", "phase", "half", "steep", "offset", "ghost_half", "ghost", "ghost_floor", "mean_by_fill")
ABSENT = -8.0  # half width of grooves that are not there: too far away for any blur


@step_of
def _clip(x: Any) -> Any:
    return min(max(x, ZERO), ONE)


@step_of
def _unclipped(x: Any) -> Any:
    return ONE if (x >= ZERO) & (x <= ONE) else ZERO


@step_of
def _sign(x: Any) -> Any:
    return ONE if x > ZERO else -ONE


@step_of
def _turned(x: Any) -> Any:
    return x - np.rint(x)


@step_of
def _height(x: Any, half: Any, steep: Any, offset: Any, ghost_half: Any) -> Any:
    return max(half - abs(_turned(x)), ghost_half - abs(_turned(x - offset))) * steep


@step_of
def _flank(x: Any, half: Any, steep: Any, offset: Any, ghost_half: Any, ghost: Any) -> Any:
    """Height there, and how it changes with phase and fill."""
    x1, x2 = _turned(x), _turned(x - offset)
    h1, h2 = (half - abs(x1)) * steep, (ghost_half - abs(x2)) * steep
    deeper = h2 > h1
    return max(h1, h2), _sign(x2 if deeper else x1) * steep, (ghost if deeper else ONE) * (HALF * steep)


@step_of
def _borders(x: Any, half: Any, across: Any) -> Any:
    """Blurred share of land and, of the flanks, of the right-hand one; and these before they are clipped."""
    middle = (abs(x) - HALF) * across + HALF
    land = across * (HALF - half)
    near, far = middle + land, middle - land
    tent = max(min(x, HALF - x), -HALF - x)  # right of a groove and left of a crest the same way up
    away = tent * across
    return _clip(near) - _clip(far), min(max(away, -HALF), HALF) + HALF, near, far, tent, away


@step_of
def _by_borders(x: Any, reach: Any, across: Any, near: Any, far: Any, tent: Any, away: Any) -> Any:
    """Change of the land with phase, fill and logarithm of the blur; of the right-hand share with phase and that."""
    on_near, on_far = _unclipped(near), _unclipped(far)
    land_x = (on_near - on_far) * across * _sign(x)
    land_fill = (on_near + on_far) * across * (-HALF * reach)
    land_blur = on_near * (HALF - _clip(near)) - on_far * (HALF - _clip(far))
    between = ONE if (away >= -HALF) & (away <= HALF) else ZERO
    rises = ONE if tent == x else -ONE
    return land_x, land_fill, land_blur, rises * between * across, -between * away


@step_of
def _seen(x: Any, half: Any, steep: Any, across: Any, offset: Any, ghost_half: Any, ghost_floor: Any) -> Any:
    """Of a family where the line of sight ends: shares of land and of its right flanks; its height."""
    x1, x2 = _turned(x), _turned(x - offset)
    land, right, _, _, _, _ = _borders(x1, half, across)
    land2, right2, _, _, _, _ = _borders(x2, ghost_half, across)
    top, second = max((half - abs(x1)) * steep, ZERO), max((ghost_half - abs(x2)) * steep, ghost_floor)
    first = _clip(HALF + (top - second) * (HALF / steep * across))
    return land * land2, right2 + first * (right - right2), max(top, second)


@step_of
def _by_family(
    x: Any, half: Any, steep: Any, across: Any, offset: Any, ghost_half: Any, ghost: Any, ghost_floor: Any,
    by_land: Any, by_right: Any, by_top: Any,
) -> Any:  # fmt: skip
    """By phase, fill and the logarithm of the blur of one family, at a given depth."""
    x1, x2 = _turned(x), _turned(x - offset)
    h, h2 = (half - abs(x1)) * steep, (ghost_half - abs(x2)) * steep
    land, right, near, far, tent, away = _borders(x1, half, across)
    land_x, land_fill, land_blur, right_x, right_blur = _by_borders(x1, ONE, across, near, far, tent, away)
    land2, right2, near, far, tent, away = _borders(x2, ghost_half, across)
    land2_x, land2_fill, land2_blur, right2_x, right2_blur = _by_borders(x2, ghost, across, near, far, tent, away)
    # of what both sets cut, the share that the first one shows
    whose = HALF + (max(h, ZERO) - max(h2, ghost_floor)) * (HALF / steep * across)
    first = _clip(whose)
    by_first = _unclipped(whose) * (right - right2)
    right_blur = right2_blur + first * (right_blur - right2_blur) - by_first * (whose - HALF)
    by_first *= HALF * across
    on, on2 = ONE if h > ZERO else ZERO, ONE if h2 > ZERO else ZERO
    right_x = right2_x + first * (right_x - right2_x) - by_first * (_sign(x1) * on - _sign(x2) * on2)
    right_fill = by_first * HALF * (on - ghost * on2)
    by_height = by_top * steep if max(h, h2) > ZERO else ZERO
    deeper = h2 > h
    by_x = (land_x * land2 + land2_x * land) * by_land + right_x * by_right
    by_x -= _sign(x2 if deeper else x1) * by_height
    by_fill = (land_fill * land2 + land2_fill * land) * by_land + right_fill * by_right
    by_fill += HALF * (ghost if deeper else ONE) * by_height
    return -by_x, by_fill, (land_blur * land2 + land2_blur * land) * by_land + right_blur * by_right


@compiled
def see(
    theta: Row, z: Row, theta_1: Row, z_1: Row, theta_2: Row, z_2: Row, theta_u: Row, z_u: Row, theta_v: Row, z_v: Row,
    brightness: Row, root_weight: Row, a: Row, b: Row, common: Row,
    target: Row, land: Row, right_a: Row, left_a: Row, right_b: Row, left_b: Row,
    right_a_1: Row, left_a_1: Row, right_b_1: Row, left_b_1: Row,
    right_a_2: Row, left_a_2: Row, right_b_2: Row, left_b_2: Row,
) -> None:  # fmt: skip
    """Write the brightness and the share of each kind of surface, times the root of the weight.

    Parameters
    ----------
    theta, ... : (n,) float32 arrays
        As in `RAYS`.
    brightness, root_weight : (n,) float32 arrays
    a, b : (10,) float32 arrays
        Of each family, as in `NUMBERS`; a family that is not there has a half width of `ABSENT`.
    common : (5,) float32 array
        Mean groove depth, one over the width of the blur, blur, sine of the profile angle; 1 if points are recessed.
    target, land, ... : (n,) float32 arrays
        Written: brightness and kinds; those ending in _1 and _2 times depth and its square.
    """
    a_around, a_along, a_phase, a_half, a_steep, a_offset, a_ghost_half, a_floor = (
        a[0],
        a[1],
        a[2],
        a[3],
        a[4],
        a[5],
        a[6],
        a[8],
    )
    b_around, b_along, b_phase, b_half, b_steep, b_offset, b_ghost_half, b_floor = (
        b[0],
        b[1],
        b[2],
        b[3],
        b[4],
        b[5],
        b[6],
        b[8],
    )
    mean, per_blur, recessed = common[0], common[1], common[4]
    per_mean, raised = ONE / mean, ONE - recessed
    up = raised - recessed
    for i in range(len(theta)):
        # phases at depth d below the crest: turns + d (turns_1 + d turns_2)
        turns_a = a_around * theta[i] + a_along * z[i] - a_phase
        turns_a_1 = a_around * theta_1[i] + a_along * z_1[i]
        turns_a_2 = a_around * theta_2[i] + a_along * z_2[i]
        turns_b = b_around * theta[i] + b_along * z[i] - b_phase
        turns_b_1 = b_around * theta_1[i] + b_along * z_1[i]
        turns_b_2 = b_around * theta_2[i] + b_along * z_2[i]
        depth = FIRST_DEPTH * mean
        h_a = _height(turns_a + depth * (turns_a_1 + depth * turns_a_2), a_half, a_steep, a_offset, a_ghost_half)
        h_b = _height(turns_b + depth * (turns_b_1 + depth * turns_b_2), b_half, b_steep, b_offset, b_ghost_half)
        depth = KEPT * depth + DAMPED * max(up * max(up * h_a, up * h_b), ZERO)
        h_a = _height(turns_a + depth * (turns_a_1 + depth * turns_a_2), a_half, a_steep, a_offset, a_ghost_half)
        h_b = _height(turns_b + depth * (turns_b_1 + depth * turns_b_2), b_half, b_steep, b_offset, b_ghost_half)
        depth = KEPT * depth + DAMPED * max(up * max(up * h_a, up * h_b), ZERO)
        h_a = _height(turns_a + depth * (turns_a_1 + depth * turns_a_2), a_half, a_steep, a_offset, a_ghost_half)
        h_b = _height(turns_b + depth * (turns_b_1 + depth * turns_b_2), b_half, b_steep, b_offset, b_ghost_half)
        depth = max(up * max(up * h_a, up * h_b), ZERO)
        x_a = turns_a + depth * (turns_a_1 + depth * turns_a_2)
        x_b = turns_b + depth * (turns_b_1 + depth * turns_b_2)
        u_a, v_a = a_around * theta_u[i] + a_along * z_u[i], a_around * theta_v[i] + a_along * z_v[i]
        u_b, v_b = b_around * theta_u[i] + b_along * z_u[i], b_around * theta_v[i] + b_along * z_v[i]
        grade_a, grade_b = u_a * u_a + v_a * v_a, u_b * u_b + v_b * v_b
        across_a, across_b = per_blur / np.sqrt(grade_a), per_blur / np.sqrt(grade_b)
        land_a, of_right_a, top_a = _seen(x_a, a_half, a_steep, across_a, a_offset, a_ghost_half, a_floor)
        land_b, of_right_b, top_b = _seen(x_b, b_half, b_steep, across_b, b_offset, b_ghost_half, b_floor)
        wide = per_blur / np.sqrt(grade_a * a_steep * a_steep + grade_b * b_steep * b_steep)
        first = _clip((top_a - top_b) * wide + HALF)
        cut_a, cut_b = ONE - land_a, ONE - land_b
        both = cut_a * cut_b
        deeper = both * first
        weight = root_weight[i]
        flank_a = (raised * (cut_a - both + deeper) + recessed * (both - deeper)) * weight
        flank_b = (raised * (cut_b - deeper) + recessed * deeper) * weight
        relative = depth * per_mean - MEAN_DEPTH
        square = relative * relative - MEAN_SQUARE
        target[i] = brightness[i] * weight
        land[i] = (raised * land_a * land_b + recessed * (ONE - both)) * weight
        one = flank_a * of_right_a
        right_a[i], right_a_1[i], right_a_2[i] = one, one * relative, one * square
        one = flank_a - one
        left_a[i], left_a_1[i], left_a_2[i] = one, one * relative, one * square
        one = flank_b * of_right_b
        right_b[i], right_b_1[i], right_b_2[i] = one, one * relative, one * square
        one = flank_b - one
        left_b[i], left_b_1[i], left_b_2[i] = one, one * relative, one * square


@compiled
def slopes_of_rays(
    theta: Row, z: Row, theta_1: Row, z_1: Row, theta_2: Row, z_2: Row, theta_u: Row, z_u: Row, theta_v: Row, z_v: Row,
    root_weight: Row, a: Row, b: Row, common: Row, light: Rows,
    phase_a: Row, phase_b: Row, fill_a: Row, fill_b: Row, around_a: Row, around_b: Row, along_a: Row, along_b: Row,
    tied: Row, angle: Row, blur: Row,
) -> None:  # fmt: skip
    """Write how the brightness changes with each parameter, times the root of the weight.

    Parameters
    ----------
    theta, ..., root_weight, a, b, common
        As for `see`.
    light : (parts, 13) float32 array
        Brightness of each kind, in the order of the kinds there, in as many even parts of the samples.
    phase_a, ... : (n,) float32 arrays
        Written, as in `SLOPES`.
    """
    a_around, a_along, a_phase, a_half, a_steep = a[0], a[1], a[2], a[3], a[4]
    a_offset, a_ghost_half, a_ghost, a_floor, a_mean = a[5], a[6], a[7], a[8], a[9]
    b_around, b_along, b_phase, b_half, b_steep = b[0], b[1], b[2], b[3], b[4]
    b_offset, b_ghost_half, b_ghost, b_floor, b_mean = b[5], b[6], b[7], b[8], b[9]
    mean, per_blur, sigma, sine, recessed = common[0], common[1], common[2], common[3], common[4]
    per_mean, raised = ONE / mean, ONE - recessed
    up = raised - recessed
    to_degrees = F(-np.pi / 180) / sine
    length = np.uintp(len(theta) // len(light))
    for part in range(len(light)):
        start = np.uintp(part) * length  # unsigned: it cannot count from the end
        of_land = light[part, 0]
        left_a, left_a_1, left_a_2 = light[part, 2], light[part, 6], light[part, 10]
        left_b, left_b_1, left_b_2 = light[part, 4], light[part, 8], light[part, 12]
        more_a, more_a_1, more_a_2 = light[part, 1] - left_a, light[part, 5] - left_a_1, light[part, 9] - left_a_2
        more_b, more_b_1, more_b_2 = light[part, 3] - left_b, light[part, 7] - left_b_1, light[part, 11] - left_b_2
        for i in range(start, start + length):
            turns_a = a_around * theta[i] + a_along * z[i] - a_phase
            turns_a_1 = a_around * theta_1[i] + a_along * z_1[i]
            turns_a_2 = a_around * theta_2[i] + a_along * z_2[i]
            turns_b = b_around * theta[i] + b_along * z[i] - b_phase
            turns_b_1 = b_around * theta_1[i] + b_along * z_1[i]
            turns_b_2 = b_around * theta_2[i] + b_along * z_2[i]
            # on the way down: what is met at each depth, and how that changes with phases and fills
            depth_0 = FIRST_DEPTH * mean
            x_a = turns_a + depth_0 * (turns_a_1 + depth_0 * turns_a_2)
            x_b = turns_b + depth_0 * (turns_b_1 + depth_0 * turns_b_2)
            h_a, phase_a_0, fill_a_0 = _flank(x_a, a_half, a_steep, a_offset, a_ghost_half, a_ghost)
            h_b, phase_b_0, fill_b_0 = _flank(x_b, b_half, b_steep, b_offset, b_ghost_half, b_ghost)
            surface_0, on_a_0, on_b_0 = _met(h_a, h_b, up)
            depth_1 = KEPT * depth_0 + DAMPED * surface_0
            x_a = turns_a + depth_1 * (turns_a_1 + depth_1 * turns_a_2)
            x_b = turns_b + depth_1 * (turns_b_1 + depth_1 * turns_b_2)
            h_a, phase_a_1, fill_a_1 = _flank(x_a, a_half, a_steep, a_offset, a_ghost_half, a_ghost)
            h_b, phase_b_1, fill_b_1 = _flank(x_b, b_half, b_steep, b_offset, b_ghost_half, b_ghost)
            surface_1, on_a_1, on_b_1 = _met(h_a, h_b, up)
            depth_2 = KEPT * depth_1 + DAMPED * surface_1
            x_a = turns_a + depth_2 * (turns_a_1 + depth_2 * turns_a_2)
            x_b = turns_b + depth_2 * (turns_b_1 + depth_2 * turns_b_2)
            h_a, phase_a_2, fill_a_2 = _flank(x_a, a_half, a_steep, a_offset, a_ghost_half, a_ghost)
            h_b, phase_b_2, fill_b_2 = _flank(x_b, b_half, b_steep, b_offset, b_ghost_half, b_ghost)
            depth, on_a_2, on_b_2 = _met(h_a, h_b, up)
            x_a = turns_a + depth * (turns_a_1 + depth * turns_a_2)
            x_b = turns_b + depth * (turns_b_1 + depth * turns_b_2)
            u_a, v_a = a_around * theta_u[i] + a_along * z_u[i], a_around * theta_v[i] + a_along * z_v[i]
            u_b, v_b = b_around * theta_u[i] + b_along * z_u[i], b_around * theta_v[i] + b_along * z_v[i]
            grade_a, grade_b = u_a * u_a + v_a * v_a, u_b * u_b + v_b * v_b
            across_a, across_b = per_blur / np.sqrt(grade_a), per_blur / np.sqrt(grade_b)
            land_a, right_a, top_a = _seen(x_a, a_half, a_steep, across_a, a_offset, a_ghost_half, a_floor)
            land_b, right_b, top_b = _seen(x_b, b_half, b_steep, across_b, b_offset, b_ghost_half, b_floor)
            wide = per_blur / np.sqrt(grade_a * a_steep * a_steep + grade_b * b_steep * b_steep)
            whose = (top_a - top_b) * wide + HALF
            first = _clip(whose)
            cut_a, cut_b = ONE - land_a, ONE - land_b
            both = cut_a * cut_b
            deeper = both * first
            flank_a = raised * (cut_a - both + deeper) + recessed * (both - deeper)
            flank_b = raised * (cut_b - deeper) + recessed * deeper
            relative = depth * per_mean - MEAN_DEPTH
            square = relative * relative - MEAN_SQUARE
            # back from the brightness to the shares
            dark_a = left_a + left_a_1 * relative + left_a_2 * square
            dark_b = left_b + left_b_1 * relative + left_b_2 * square
            rise_a = more_a + more_a_1 * relative + more_a_2 * square
            rise_b = more_b + more_b_1 * relative + more_b_2 * square
            by_relative = flank_a * (
                right_a * (more_a_1 + TWO * more_a_2 * relative) + left_a_1 + TWO * left_a_2 * relative
            )
            by_relative += flank_b * (
                right_b * (more_b_1 + TWO * more_b_2 * relative) + left_b_1 + TWO * left_b_2 * relative
            )
            mean_a, mean_b = right_a * rise_a + dark_a, right_b * rise_b + dark_b
            apart = mean_a - mean_b
            middle = mean_a - first * apart - of_land
            by_land_a = raised * (land_b * (of_land - mean_a) - cut_b * first * apart) - recessed * cut_b * middle
            by_land_b = (
                raised * (land_a * (of_land - mean_b) + cut_a * (apart - first * apart)) - recessed * cut_a * middle
            )
            by_first = up * both * apart * _unclipped(whose)
            by_top = by_first * wide
            by_right_a, by_right_b = flank_a * rise_a, flank_b * rise_b
            by_phase_a, by_fill_a, by_blur_a = _by_family(
                x_a, a_half, a_steep, across_a, a_offset, a_ghost_half, a_ghost, a_floor, by_land_a, by_right_a, by_top
            )
            by_phase_b, by_fill_b, by_blur_b = _by_family(
                x_b, b_half, b_steep, across_b, b_offset, b_ghost_half, b_ghost, b_floor, by_land_b, by_right_b, -by_top
            )
            # depth enters the shading relative to its mean
            by_depth = by_relative * per_mean
            by_mean = -by_depth * depth * per_mean
            by_depth -= by_phase_a * (turns_a_1 + TWO * depth * turns_a_2)
            by_depth -= by_phase_b * (turns_b_1 + TWO * depth * turns_b_2)
            # and back along the line of sight
            by_angle = by_depth * depth
            by_a, by_b = by_depth * on_a_2, by_depth * on_b_2
            by_fill_a, by_fill_b = by_fill_a + by_a * fill_a_2, by_fill_b + by_b * fill_b_2
            by_a, by_b = by_a * phase_a_2, by_b * phase_b_2
            by_phase_a, by_phase_b = by_phase_a + by_a, by_phase_b + by_b
            by_depth = -by_a * (turns_a_1 + TWO * depth_2 * turns_a_2) - by_b * (turns_b_1 + TWO * depth_2 * turns_b_2)
            by_surface = DAMPED * by_depth
            by_angle += by_surface * surface_1
            by_a, by_b = by_surface * on_a_1, by_surface * on_b_1
            by_fill_a, by_fill_b = by_fill_a + by_a * fill_a_1, by_fill_b + by_b * fill_b_1
            by_a, by_b = by_a * phase_a_1, by_b * phase_b_1
            by_phase_a, by_phase_b = by_phase_a + by_a, by_phase_b + by_b
            by_depth = KEPT * by_depth - by_a * (turns_a_1 + TWO * depth_1 * turns_a_2)
            by_depth -= by_b * (turns_b_1 + TWO * depth_1 * turns_b_2)
            by_surface = DAMPED * by_depth
            by_angle += by_surface * surface_0
            by_a, by_b = by_surface * on_a_0, by_surface * on_b_0
            by_fill_a, by_fill_b = by_fill_a + by_a * fill_a_0, by_fill_b + by_b * fill_b_0
            by_a, by_b = by_a * phase_a_0, by_b * phase_b_0
            by_phase_a, by_phase_b = by_phase_a + by_a, by_phase_b + by_b
            by_depth = KEPT * by_depth - by_a * (turns_a_1 + TWO * depth_0 * turns_a_2)
            by_depth -= by_b * (turns_b_1 + TWO * depth_0 * turns_b_2)
            by_mean += FIRST_DEPTH * by_depth
            weight = root_weight[i]
            by_phase_a, by_phase_b = by_phase_a * weight, by_phase_b * weight
            phase_a[i], phase_b[i] = by_phase_a, by_phase_b
            fill_a[i], fill_b[i] = (by_fill_a + by_mean * a_mean) * weight, (by_fill_b + by_mean * b_mean) * weight
            # frequencies move the phase in proportion to θ and z
            around_a[i], around_b[i] = -by_phase_a * theta[i], -by_phase_b * theta[i]
            along_a[i], along_b[i] = -by_phase_a * z[i], -by_phase_b * z[i]
            tied[i] = -(by_phase_a + by_phase_b) * theta[i]
            # all depths go with 1 / tan(angle / 2), so relatively with -1 / sin(angle)
            angle[i] = (by_angle + by_mean * mean) * to_degrees * weight
            blur[i] = (by_blur_a + by_blur_b - by_first * (whose - HALF)) / sigma * weight


@step_of
def _met(h_a: Any, h_b: Any, up: Any) -> Any:
    """Depth of the surface where the families' flanks have these heights; 1 for the family that makes it, else 0."""
    second = up * h_b > up * h_a
    surface = max(h_b if second else h_a, ZERO)
    cut = ONE if surface > ZERO else ZERO
    return surface, ZERO if second else cut, cut if second else ZERO
