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
KINDS, FIRST_SHADING = 13, 5  # of surface, at most; those before are land and flanks, the others flanks times depth
#: Numbers of a family as `flanks.packed` gives them; in the loops a tuple called `lines`.
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
def _lines(numbers: Any) -> Any:
    n = numbers
    return n[0], n[1], n[2], n[3], n[4], n[5], n[6], n[7], n[8], n[9]


# --- on the way down -------------------------------------------------------------------------------------------------


@step_of
def _turns(lines: Any, theta: Any, z: Any, theta_1: Any, z_1: Any, theta_2: Any, z_2: Any) -> Any:
    """Phase of a family along a line of sight, a polynomial in the depth below the crest."""
    around, along, phase = lines[0], lines[1], lines[2]
    return around * theta + along * z - phase, around * theta_1 + along * z_1, around * theta_2 + along * z_2


@step_of
def _phase_at(turns: Any, depth: Any) -> Any:
    return turns[0] + depth * (turns[1] + depth * turns[2])


@step_of
def _rate_at(turns: Any, depth: Any) -> Any:
    return turns[1] + TWO * depth * turns[2]


@step_of
def _flank(lines: Any, x: Any) -> Any:
    """Height of a family's flank, and how it changes with phase and fill."""
    _, _, _, half, steep, offset, ghost_half, ghost, _, _ = lines
    x1, x2 = _turned(x), _turned(x - offset)
    h1, h2 = (half - abs(x1)) * steep, (ghost_half - abs(x2)) * steep
    deeper = h2 > h1
    return max(h1, h2), _sign(x2 if deeper else x1) * steep, (ghost if deeper else ONE) * (HALF * steep)


@step_of
def _met(a: Any, b: Any, turns_a: Any, turns_b: Any, depth: Any, up: Any) -> Any:
    """Depth of the surface under a point of the line of sight; its change with the phases, then with the fills."""
    h_a, by_phase_a, by_fill_a = _flank(a, _phase_at(turns_a, depth))
    h_b, by_phase_b, by_fill_b = _flank(b, _phase_at(turns_b, depth))
    second = up * h_b > up * h_a
    surface = max(h_b if second else h_a, ZERO)
    cut = ONE if surface > ZERO else ZERO
    on_a, on_b = ZERO if second else cut, cut if second else ZERO
    return surface, on_a * by_phase_a, on_b * by_phase_b, on_a * by_fill_a, on_b * by_fill_b


@step_of
def _back(by_surface: Any, met: Any, turns_a: Any, turns_b: Any, depth: Any) -> Any:
    """What a change with the surface that was met means for phases, fills and the depth that it was met from."""
    by_phase_a, by_phase_b = by_surface * met[1], by_surface * met[2]
    by_depth = -by_phase_a * _rate_at(turns_a, depth) - by_phase_b * _rate_at(turns_b, depth)
    return by_phase_a, by_phase_b, by_surface * met[3], by_surface * met[4], by_depth


# --- where it ends ---------------------------------------------------------------------------------------------------


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
def _grade(lines: Any, theta_u: Any, z_u: Any, theta_v: Any, z_v: Any) -> Any:
    """Square of the turns from a sample to the next."""
    u, v = lines[0] * theta_u + lines[1] * z_u, lines[0] * theta_v + lines[1] * z_v
    return u * u + v * v


@step_of
def _seen(lines: Any, x: Any, across: Any) -> Any:
    """Of a family: shares of land and of its right flanks; its height."""
    _, _, _, half, steep, offset, ghost_half, _, ghost_floor, _ = lines
    x1, x2 = _turned(x), _turned(x - offset)
    land, right, _, _, _, _ = _borders(x1, half, across)
    land2, right2, _, _, _, _ = _borders(x2, ghost_half, across)
    top, second = max((half - abs(x1)) * steep, ZERO), max((ghost_half - abs(x2)) * steep, ghost_floor)
    first = _clip(HALF + (top - second) * (HALF / steep * across))
    return land * land2, right2 + first * (right - right2), max(top, second)


@step_of
def _crossed(a: Any, b: Any, x_a: Any, x_b: Any, grade_a: Any, grade_b: Any, per_blur: Any, recessed: Any) -> Any:
    """Of both families: land and flanks; land and right-hand share of each; whose flank shows, and how steeply so."""
    land_a, right_a, top_a = _seen(a, x_a, per_blur / np.sqrt(grade_a))
    land_b, right_b, top_b = _seen(b, x_b, per_blur / np.sqrt(grade_b))
    wide = per_blur / np.sqrt(grade_a * a[4] * a[4] + grade_b * b[4] * b[4])
    whose = (top_a - top_b) * wide + HALF
    cut_a, cut_b, raised = ONE - land_a, ONE - land_b, ONE - recessed
    both = cut_a * cut_b
    deeper = both * _clip(whose)
    land = raised * land_a * land_b + recessed * (ONE - both)
    flank_a = raised * (cut_a - both + deeper) + recessed * (both - deeper)
    flank_b = raised * (cut_b - deeper) + recessed * deeper
    return land, flank_a, flank_b, land_a, land_b, right_a, right_b, whose, wide


@step_of
def _by_family(lines: Any, x: Any, across: Any, by_land: Any, by_right: Any, by_top: Any) -> Any:
    """By phase, fill and the logarithm of the blur of one family, at a given depth."""
    _, _, _, half, steep, offset, ghost_half, ghost, ghost_floor, _ = lines
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


@step_of
def _light(light: Any, part: Any, right: Any) -> Any:
    """Of a family's left flanks, and by how much its right ones differ: plain, by depth and by its square."""
    of_left = light[part, right + 1], light[part, right + 5], light[part, right + 9]
    of_right = light[part, right], light[part, right + 4], light[part, right + 8]
    return of_left, (of_right[0] - of_left[0], of_right[1] - of_left[1], of_right[2] - of_left[2])


@step_of
def _shaded(terms: Any, relative: Any, square: Any) -> Any:
    return terms[0] + terms[1] * relative + terms[2] * square


@step_of
def _by_relative(terms: Any, relative: Any) -> Any:
    return terms[1] + TWO * terms[2] * relative


# --- the loops -------------------------------------------------------------------------------------------------------


@compiled
def see(
    theta: Row, z: Row, theta_1: Row, z_1: Row, theta_2: Row, z_2: Row, theta_u: Row, z_u: Row, theta_v: Row, z_v: Row,
    brightness: Row, root_weight: Row, of_a: Row, of_b: Row, common: Row,
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
    of_a, of_b : (10,) float32 arrays
        Of each family, as in `NUMBERS`; a family that is not there has a half width of `ABSENT`.
    common : (5,) float32 array
        Mean groove depth, one over the width of the blur, blur, sine of the profile angle; 1 if points are recessed.
    target, land, ... : (n,) float32 arrays
        Written: brightness and kinds; those ending in _1 and _2 times depth and its square.
    """
    a, b = _lines(of_a), _lines(of_b)
    mean, per_blur, recessed = common[0], common[1], common[4]
    per_mean, up = ONE / mean, ONE - TWO * recessed
    for i in range(len(theta)):
        turns_a = _turns(a, theta[i], z[i], theta_1[i], z_1[i], theta_2[i], z_2[i])
        turns_b = _turns(b, theta[i], z[i], theta_1[i], z_1[i], theta_2[i], z_2[i])
        depth = FIRST_DEPTH * mean
        depth = KEPT * depth + DAMPED * _met(a, b, turns_a, turns_b, depth, up)[0]
        depth = KEPT * depth + DAMPED * _met(a, b, turns_a, turns_b, depth, up)[0]
        depth = _met(a, b, turns_a, turns_b, depth, up)[0]
        grade_a = _grade(a, theta_u[i], z_u[i], theta_v[i], z_v[i])
        grade_b = _grade(b, theta_u[i], z_u[i], theta_v[i], z_v[i])
        of_land, flank_a, flank_b, _, _, of_right_a, of_right_b, _, _ = _crossed(
            a, b, _phase_at(turns_a, depth), _phase_at(turns_b, depth), grade_a, grade_b, per_blur, recessed
        )
        relative = depth * per_mean - MEAN_DEPTH
        square = relative * relative - MEAN_SQUARE
        weight = root_weight[i]
        target[i], land[i] = brightness[i] * weight, of_land * weight
        flank_a, flank_b = flank_a * weight, flank_b * weight
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
    root_weight: Row, of_a: Row, of_b: Row, common: Row, light: Rows,
    phase_a: Row, phase_b: Row, fill_a: Row, fill_b: Row, around_a: Row, around_b: Row, along_a: Row, along_b: Row,
    tied: Row, angle: Row, blur: Row,
) -> None:  # fmt: skip
    """Write how the brightness changes with each parameter, times the root of the weight.

    Parameters
    ----------
    theta, ..., root_weight, of_a, of_b, common
        As for `see`.
    light : (parts, 13) float32 array
        Brightness of each kind, in the order of the kinds there, in as many even parts of the samples.
    phase_a, ... : (n,) float32 arrays
        Written, as in `SLOPES`.
    """
    a, b = _lines(of_a), _lines(of_b)
    mean, per_blur, sigma, sine, recessed = common[0], common[1], common[2], common[3], common[4]
    per_mean, raised, up = ONE / mean, ONE - recessed, ONE - TWO * recessed
    to_degrees = F(-np.pi / 180) / sine
    length = np.uintp(len(theta) // len(light))
    for part in range(len(light)):
        start = np.uintp(part) * length  # unsigned: it cannot count from the end
        of_land = light[part, 0]
        of_left_a, more_a = _light(light, part, 1)
        of_left_b, more_b = _light(light, part, 3)
        for i in range(start, start + length):
            turns_a = _turns(a, theta[i], z[i], theta_1[i], z_1[i], theta_2[i], z_2[i])
            turns_b = _turns(b, theta[i], z[i], theta_1[i], z_1[i], theta_2[i], z_2[i])
            depth_0 = FIRST_DEPTH * mean
            met_0 = _met(a, b, turns_a, turns_b, depth_0, up)
            depth_1 = KEPT * depth_0 + DAMPED * met_0[0]
            met_1 = _met(a, b, turns_a, turns_b, depth_1, up)
            depth_2 = KEPT * depth_1 + DAMPED * met_1[0]
            met_2 = _met(a, b, turns_a, turns_b, depth_2, up)
            depth = met_2[0]
            x_a, x_b = _phase_at(turns_a, depth), _phase_at(turns_b, depth)
            grade_a = _grade(a, theta_u[i], z_u[i], theta_v[i], z_v[i])
            grade_b = _grade(b, theta_u[i], z_u[i], theta_v[i], z_v[i])
            _, flank_a, flank_b, land_a, land_b, right_a, right_b, whose, wide = _crossed(
                a, b, x_a, x_b, grade_a, grade_b, per_blur, recessed
            )
            relative = depth * per_mean - MEAN_DEPTH
            square = relative * relative - MEAN_SQUARE
            # back from the brightness to the shares
            rise_a, rise_b = _shaded(more_a, relative, square), _shaded(more_b, relative, square)
            mean_a = right_a * rise_a + _shaded(of_left_a, relative, square)
            mean_b = right_b * rise_b + _shaded(of_left_b, relative, square)
            by_relative = flank_a * (right_a * _by_relative(more_a, relative) + _by_relative(of_left_a, relative))
            by_relative += flank_b * (right_b * _by_relative(more_b, relative) + _by_relative(of_left_b, relative))
            cut_a, cut_b = ONE - land_a, ONE - land_b
            apart = mean_a - mean_b
            of_first = _clip(whose) * apart
            middle = recessed * (mean_a - of_first - of_land)
            by_land_a = raised * (land_b * (of_land - mean_a) - cut_b * of_first) - cut_b * middle
            by_land_b = raised * (land_a * (of_land - mean_b) + cut_a * (apart - of_first)) - cut_a * middle
            by_first = up * cut_a * cut_b * apart * _unclipped(whose)
            by_top, across_a, across_b = by_first * wide, per_blur / np.sqrt(grade_a), per_blur / np.sqrt(grade_b)
            phase_a_3, fill_a_3, blur_a = _by_family(a, x_a, across_a, by_land_a, flank_a * rise_a, by_top)
            phase_b_3, fill_b_3, blur_b = _by_family(b, x_b, across_b, by_land_b, flank_b * rise_b, -by_top)
            # depth enters the shading relative to its mean
            by_depth = by_relative * per_mean
            by_mean = -by_depth * depth * per_mean
            by_depth -= phase_a_3 * _rate_at(turns_a, depth) + phase_b_3 * _rate_at(turns_b, depth)
            # and back along the line of sight
            by_angle = by_depth * depth
            phase_a_2, phase_b_2, fill_a_2, fill_b_2, by_depth = _back(by_depth, met_2, turns_a, turns_b, depth_2)
            by_surface = DAMPED * by_depth
            by_angle += by_surface * met_1[0]
            phase_a_1, phase_b_1, fill_a_1, fill_b_1, more = _back(by_surface, met_1, turns_a, turns_b, depth_1)
            by_depth = KEPT * by_depth + more
            by_surface = DAMPED * by_depth
            by_angle += by_surface * met_0[0]
            phase_a_0, phase_b_0, fill_a_0, fill_b_0, more = _back(by_surface, met_0, turns_a, turns_b, depth_0)
            by_mean += FIRST_DEPTH * (KEPT * by_depth + more)
            weight = root_weight[i]
            by_phase_a = (phase_a_3 + phase_a_2 + phase_a_1 + phase_a_0) * weight
            by_phase_b = (phase_b_3 + phase_b_2 + phase_b_1 + phase_b_0) * weight
            phase_a[i], phase_b[i] = by_phase_a, by_phase_b
            fill_a[i] = (fill_a_3 + fill_a_2 + fill_a_1 + fill_a_0 + by_mean * a[9]) * weight
            fill_b[i] = (fill_b_3 + fill_b_2 + fill_b_1 + fill_b_0 + by_mean * b[9]) * weight
            # frequencies move the phase in proportion to θ and z
            around_a[i], around_b[i] = -by_phase_a * theta[i], -by_phase_b * theta[i]
            along_a[i], along_b[i] = -by_phase_a * z[i], -by_phase_b * z[i]
            tied[i] = -(by_phase_a + by_phase_b) * theta[i]
            # all depths go with 1 / tan(angle / 2), so relatively with -1 / sin(angle)
            angle[i] = (by_angle + by_mean * mean) * to_degrees * weight
            blur[i] = (blur_a + blur_b - by_first * (whose - HALF)) / sigma * weight
