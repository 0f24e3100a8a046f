"""Read the ink print of a knurling wheel: pitch, helix and hand, teeth, each with its uncertainty.

The paper shows the wheel's lines mirrored, and so does the work: lines that rise to the right on the paper, the roll
lying across, are those of a left-hand wheel, which rolls right-hand ridges. A long print holds many teeth, so the pitch
comes from the phase of the lines over the whole length; blots and gaps weigh nothing there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

from knurlsight.errors import PlanError
from knurlsight.setup_math.forms import Hand
from knurlsight.setup_math.standards import Fitting, fitting_pitches
from knurlsight.wheel_prints.wheel_plane import FlatPaper

Array = NDArray[np.float64]

#: Pitches that are looked for, mm.
PITCH_RANGE_MM = (0.3, 3.5)
#: A print must be this long and wide, mm, and this much longer than wide, so that the direction of the roll is known.
LEAST_LENGTH_MM, LEAST_WIDTH_MM, LEAST_SLENDERNESS = 12.0, 1.5, 1.4
#: Height of the spectral peak over the median of the spectrum that lines must have.
LEAST_PEAK = 12.0
#: Two families: height of the second peak over the first.
SECOND_FAMILY = 0.45
#: Lines whose phase leaves their pitch this doubtful (share, k = 1) are noise or smear.
MOST_DOUBT = 0.004
#: Share of the ink's variance that a family must explain, and rings that must be seen over the width.
LEAST_EXPLAINED, LEAST_RINGS = 0.1, 3.0
#: Probability over which a whole count is stated.
SURE = 0.95
#: What a mark must make of the ink of a tooth, squared, to be taken for one: a sixth of the tooth's length.
NICK_SHARE = 0.12
#: How far from a rim the lines are not used, mm: blur bends their ends square to it.
RIM_MM = 0.45
#: Wheels roll on paper without slip only nearly, share of the pitch.
U_ROLL = 0.0005


@dataclass(frozen=True)
class PrintLines:
    """One family of lines of a print.

    Attributes
    ----------
    hand_on_paper, hand_of_wheel, hand_on_work : Hand
        The paper shows what the work will show; the wheel itself is the mirror image.
    normal_pitch, transverse_pitch : Quantity
        Across the lines and around the wheel, mm; transverse None for ring lines.
    helix : Quantity
        Between lines and axis, deg.
    """

    hand_on_paper: Hand
    hand_of_wheel: Hand
    hand_on_work: Hand
    normal_pitch: Quantity
    transverse_pitch: Quantity | None
    helix: Quantity


@dataclass(frozen=True)
class WheelPrint:
    """One band of print.

    Attributes
    ----------
    lines : tuple of PrintLines
        One family, or two for a wheel with crossed teeth.
    length_mm, width_mm : float
        Of the band.
    teeth : Quantity or None
        From the diameter given, or from a nick that repeats.
    teeth_whole : int or None
        Stated when its probability is over 0.95.
    teeth_from : {"diameter", "nick"} or None
    diameter : Quantity or None
        As given, else from the teeth and the pitch.
    fitting : Fitting
        Standard pitches that it could be.
    budget : tuple of (str, float)
        Parts of the pitch's uncertainty, shares.
    notes : tuple of str
    """

    lines: tuple[PrintLines, ...]
    length_mm: float
    width_mm: float
    teeth: Quantity | None
    teeth_whole: int | None
    teeth_from: str | None
    diameter: Quantity | None
    fitting: Fitting
    budget: tuple[tuple[str, float], ...]
    notes: tuple[str, ...]


def read_prints(
    paper: FlatPaper,
    u_scale: float,
    scale_budget: tuple[tuple[str, float], ...] = (),
    wheel_diameter: Quantity | None = None,
    u_shape: float = 0.0,
) -> tuple[WheelPrint, ...]:
    """Read the one or two bands of print on a paper.

    Parameters
    ----------
    paper : FlatPaper
    u_scale : float
        Standard uncertainty of lengths on it, as a share.
    scale_budget : tuple of (str, float)
        What that is made of.
    wheel_diameter : Quantity, optional
        mm; of both wheels.
    u_shape : float
        Standard uncertainty of the scale one way over that the other way.

    Raises
    ------
    PlanError
        When no print can be read, with the reason and what to do.
    """
    bands = _find_bands(paper)
    if not bands:
        raise PlanError(
            "no print of a wheel is on the paper: a dark band of lines at least 12 mm long is wanted",
            hint="ink the wheel, roll it two turns over white paper, lay the scale beside it, shoot from above",
        )
    read = [
        p
        for p in (_read_band(paper, b, u_scale, scale_budget, wheel_diameter, u_shape) for b in bands)
        if p is not None
    ]
    if not read:
        raise PlanError(
            "a band is on the paper, but no lines of one pitch in it: smeared, out of focus, or under 4 px per pitch",
            hint="less ink, roll once without slipping, move closer",
        )
    return tuple(read[:2])


@dataclass(frozen=True)
class _Band:
    """Where a band lies: middle (x, y) in px of the flat paper, unit vector along the roll, length and width in px."""

    middle: Array
    along: Array
    length: float
    width: float


def _find_bands(paper: FlatPaper) -> list[_Band]:
    """Elongated patches of dense strokes, the largest first."""
    per_mm = 1.0 / paper.mm_per_px
    shrink = max(1, int(per_mm / 6.0))
    ink = paper.ink
    gx, gy = cv2.Sobel(ink, cv2.CV_32F, 1, 0), cv2.Sobel(ink, cv2.CV_32F, 0, 1)
    strokes = np.sqrt(gx * gx + gy * gy)
    # The rim of what is usable is an edge, but no stroke.
    strokes[cv2.erode(paper.usable.astype(np.uint8), np.ones((7, 7), np.uint8)) == 0] = 0.0
    small = cv2.resize(strokes, None, fx=1.0 / shrink, fy=1.0 / shrink, interpolation=cv2.INTER_AREA)
    here = per_mm / shrink
    dense = cv2.blur(small, (max(1, round(1.6 * here)),) * 2)
    top = float(np.percentile(dense, 99.5))
    if top < 0.02:
        return []
    mask = (dense > 0.35 * max(top, float(dense.max()) * 0.5)).astype(np.uint8)
    size = max(1, round(3.0 * here)) | 1
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((size, size), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(closed)
    bands = []
    for label in np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:8] + 1:
        points = np.argwhere(labels == label)[:, ::-1].astype(np.float32)
        (cx, cy), (a, b), angle = cv2.minAreaRect(points)
        length, width = max(a, b) / here, min(a, b) / here
        if length < LEAST_LENGTH_MM or width < LEAST_WIDTH_MM or length < LEAST_SLENDERNESS * width:
            continue
        turn = math.radians(angle if a >= b else angle + 90.0)
        along = np.array([math.cos(turn), math.sin(turn)])
        if along[0] < 0 or (abs(along[0]) < 1e-9 and along[1] < 0):
            along = -along
        middle = (np.array([cx, cy]) + 0.5) * shrink - 0.5
        bands.append(_Band(middle, along, length * per_mm, width * per_mm))
    return bands


def _cut_out(paper: FlatPaper, band: _Band) -> tuple[Array, float]:
    """The band's ink with the roll lying, (rows across, columns along), and mm to a sample; a margin all round."""
    step = 1.0
    margin = 1.5 / paper.mm_per_px
    columns, rows = int((band.length + margin) / step), int((band.width + 2.0 * margin) / step)
    across = np.array([-band.along[1], band.along[0]])
    start = band.middle - band.along * (columns - 1) / 2.0 * step - across * (rows - 1) / 2.0 * step
    to_photo = np.array(
        [[band.along[0] * step, across[0] * step, start[0]], [band.along[1] * step, across[1] * step, start[1]]]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    patch = cv2.warpAffine(paper.ink, to_photo, (columns, rows), flags=flags, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(patch, np.float64), paper.mm_per_px * step


def _read_band(
    paper: FlatPaper,
    band: _Band,
    u_scale: float,
    scale_budget: tuple[tuple[str, float], ...],
    wheel_diameter: Quantity | None,
    u_shape: float,
) -> WheelPrint | None:
    patch, mm = _cut_out(paper, band)
    peaks = _peaks(patch, mm)
    if not peaks:
        return None
    roll, u_roll, (top, bottom) = _roll_direction(patch, mm)
    width = bottom - top
    clear = RIM_MM + abs(math.tan(roll)) * patch.shape[1] * mm / 2.0
    inner = (top + clear, bottom - clear) if width > 2.0 * clear + 1.0 else (top, bottom)
    fitted = [f for f in (_fit_lines(patch, mm, k, inner) for k in peaks) if f is not None]
    if not any(abs(k[0]) > 0.1 * float(np.hypot(*k)) for k, _ in fitted):
        return None  # no wheel has rings alone: rims, text or a shadow
    lines, shares = [], []
    for k, u_k in fitted:
        one, share = _lines(k, u_k, roll, u_roll, u_scale, u_shape)
        lines.append(one)
        shares.append(share)
    notes = []
    around = next((line for line in lines if line.transverse_pitch is not None), None)
    if len(lines) == 2:
        notes.append(
            "Lines of two families: a wheel with crossed teeth (GE or GV, KE or KV by whether its points stand up)."
        )
    teeth, whole, origin, diameter = None, None, None, wheel_diameter
    if around is not None and around.transverse_pitch is not None:
        pitch = around.transverse_pitch
        index = lines.index(around)
        nick, repeats = _teeth_by_nick(patch, mm, fitted[index][0], (top, bottom)) if len(lines) == 1 else (None, 0)
        if wheel_diameter is not None:
            value = math.pi * wheel_diameter.value / pitch.value
            u = value * math.hypot(wheel_diameter.relative_u, pitch.relative_u)
            teeth, origin = Quantity(value, u), "diameter"
            whole = round(value) if _sure(value, u) else None
            if whole is None:
                notes.append(
                    f"{value:.1f} teeth from the diameter is no whole count for sure: count them on the wheel."
                )
        if nick is not None:
            if whole is not None and whole != nick:
                notes.append(f"A nick repeats after {nick} teeth, which does not agree with the diameter given.")
                whole, teeth = None, None
            elif whole is None:
                teeth, whole, origin = Quantity(float(nick), 0.0), nick, "nick"
                notes.append(f"A nick repeats after {nick} teeth ({repeats} times): that is one turn of the wheel.")
        if whole is not None and wheel_diameter is None:
            diameter = Quantity(whole * pitch.value / math.pi, whole * pitch.u / math.pi, "mm")
    first = lines[0]
    fitting = fitting_pitches(first.normal_pitch, None, helix_deg=first.helix.value, at_wheel=True)
    budget = (*scale_budget, ("phase of the lines", shares[0]), ("rolling on paper", U_ROLL))
    if len(patch[0]) * mm < 40.0:
        notes.append("The print is short: roll two or three turns of the wheel for a better pitch.")
    return WheelPrint(
        tuple(lines), patch.shape[1] * mm - 1.5, width, teeth, whole, origin, diameter, fitting, budget, tuple(notes)
    )


def _sure(value: float, u: float) -> bool:
    """Whether the nearest whole number is the right one with a probability over `SURE`."""
    off = value - round(value)
    if u <= 0:
        return abs(off) < 0.05
    inside = 0.5 * (math.erf((0.5 - off) / (math.sqrt(2) * u)) + math.erf((0.5 + off) / (math.sqrt(2) * u)))
    return inside > SURE and abs(off) < max(0.15, 2.0 * u)


# --- lines ----------------------------------------------------------------------------------------------------------


def _peaks(patch: Array, mm: float) -> list[Array]:
    """Rough wave vectors (along, across), cycles per mm, of one or two families; none without a clear pattern."""
    rows, columns = patch.shape
    window = np.hanning(rows)[:, None] * np.hanning(columns)[None, :]
    shape = (cv2.getOptimalDFTSize(4 * rows), cv2.getOptimalDFTSize(2 * columns))
    # Slow changes of the ink are no lines.
    smooth = cv2.GaussianBlur(patch, (0, 0), 1.2 / mm)
    power = np.abs(np.fft.fft2((patch - smooth) * window, shape)) ** 2
    fv, fu = np.fft.fftfreq(shape[0], mm)[:, None], np.fft.fftfreq(shape[1], mm)[None, :]
    size = np.hypot(fu, fv)
    low, high = 1.0 / PITCH_RANGE_MM[1], min(1.0 / PITCH_RANGE_MM[0], 0.35 / mm)
    allowed = (size > low) & (size < high) & (fu >= 0)
    # Across the roll the band's own rim makes power, so lines along it must be clear of that.
    allowed &= (np.abs(fu) > 0.02 * size) | (size > 0.6)
    amplitude = np.sqrt(np.where(allowed, power, 0.0))
    floor = float(np.median(amplitude[allowed])) if bool(allowed.any()) else 0.0
    found: list[tuple[Array, float]] = []
    left = amplitude.copy()
    for _ in range(8):
        at = np.unravel_index(int(np.argmax(left)), left.shape)
        height = float(left[at])
        if height < LEAST_PEAK * floor or (found and height < 0.25 * found[0][1]):
            break
        k = np.array([float(fu[0, at[1]]), float(fv[at[0], 0])])
        found.append((k, height))
        left[np.hypot(fu - k[0], fv - k[1]) < max(0.2 * float(np.hypot(*k)), 1.5 / (rows * mm))] = 0.0
    if not found:
        return []
    return _families(found)


def _families(found: list[tuple[Array, float]]) -> list[Array]:
    """Fundamental of the strongest lines, and of the other family of a crossed wheel if there is one."""

    def fundamental(k: Array) -> Array:
        for divisor in (3, 2):
            for other, height in found:
                if height > 0.3 * found[0][1] and float(np.hypot(*(divisor * other - k))) < 0.06 * float(np.hypot(*k)):
                    return other
        return k

    slanting = [(k, h) for k, h in found if abs(k[0]) > 0.17 * float(np.hypot(*k))]
    if not slanting:
        return [found[0][0]]
    first = fundamental(slanting[0][0])
    strength = slanting[0][1]
    angle = math.degrees(math.atan2(first[1], first[0]))
    if abs(angle) < 5.0:
        rings = [(k, h) for k, h in found if abs(k[0]) < 0.1 * float(np.hypot(*k)) and h > SECOND_FAMILY * strength]
        return [first, rings[0][0]] if rings else [first]
    mirror = np.array([first[0], -first[1]])
    for k, h in found:
        if h > SECOND_FAMILY * strength and float(np.hypot(*(k - mirror))) < 0.15 * float(np.hypot(*first)):
            return [first, k]
    return [first]


def _fit_lines(patch: Array, mm: float, k: Array, rims_mm: tuple[float, float]) -> tuple[Array, Array] | None:
    """Wave vector (along, across), cycles per mm, from the phase over the band, with its covariance (2, 2)."""
    smooth = cv2.GaussianBlur(patch, (0, 0), 1.2 / mm)
    first, last = max(0, math.ceil(rims_mm[0] / mm)), min(patch.shape[0], math.floor(rims_mm[1] / mm))
    lines = (patch - smooth)[first:last]
    rows, columns = lines.shape
    if rows < 6:
        return None
    u, v = np.arange(columns) * mm, np.arange(rows) * mm
    pitch = 1.0 / float(np.hypot(*k))
    # Tiles overlap by half and fade out along the roll: the mirror term and the mean must not leak into the phase.
    half = max(6.0, 3.0 * pitch / mm)
    centres = np.arange(half, columns - half, half)
    if centres.size < 4:
        return None
    fade = (
        np.maximum(0.0, np.cos(0.5 * np.pi * np.clip((np.arange(columns) - centres[:, None]) / half, -1.0, 1.0))) ** 2
    )
    edges_v = np.linspace(0, rows, 4).astype(int)
    cu = mm * centres
    cv = mm * (edges_v[:-1] + edges_v[1:] - 1) / 2.0
    estimate = k.astype(np.float64).copy()
    covariance = np.eye(2)
    for _ in range(4):
        turned = lines * np.exp(-2j * np.pi * estimate[0] * u)[None, :] * np.exp(-2j * np.pi * estimate[1] * v)[:, None]
        total = np.add.reduceat(turned, edges_v[:-1], axis=0) @ fade.T
        # Start from the strongest tile of a row sum, so that the phase can be unwrapped along the roll.
        along = total.sum(axis=0)
        weight = np.abs(total).ravel()
        phase_u = np.unwrap(np.angle(along))
        phase = np.angle(total * np.exp(-1j * phase_u)[None, :]) + phase_u[None, :]
        gu, gv = np.meshgrid(cu - cu.mean(), cv - cv.mean())
        design = np.column_stack([np.ones(gu.size), 2 * np.pi * gu.ravel(), 2 * np.pi * gv.ravel()])
        keep = weight > 0.15 * np.percentile(weight, 90)
        fit = np.zeros(3)
        for _ in range(4):
            if keep.sum() < 8:
                return None
            w = weight[keep]
            fit, *_ = np.linalg.lstsq(design[keep] * w[:, None], phase.ravel()[keep] * w, rcond=None)
            off = phase.ravel() - design @ fit
            spread = 1.4826 * float(np.median(np.abs(off[keep])))
            better = keep & (np.abs(off) < max(4.0 * spread, 0.05))
            if bool((better == keep).all()):
                break
            keep = better
        w = weight[keep]
        normal = np.linalg.inv((design[keep] * (w**2)[:, None]).T @ design[keep])
        scatter = design[keep] * (w**2 * off[keep])[:, None]
        # Sandwich: the weights are only roughly those of the phases' scatter. Overlapping tiles share their ink and a
        # blot spoils several, so the effective number of tiles is taken as a fifth.
        covariance = 5.0 * (normal @ (scatter.T @ scatter) @ normal)[1:, 1:]
        estimate = estimate + fit[1:]
        if float(np.hypot(*fit[1:])) < 1e-7:
            break
    size = float(np.hypot(*estimate))
    unit = estimate / size
    doubt = math.sqrt(float(unit @ covariance @ unit)) / size
    if float(np.hypot(*(estimate - k))) > 0.15 * float(np.hypot(*k)) or doubt > MOST_DOUBT:
        return None
    # Lines that leave most of the ink unexplained are none; rings must be seen a few times over the width.
    in_tile = np.diff(edges_v)[:, None] * fade.sum(axis=1)[None, :]
    explained = 2.0 * float(np.mean(np.abs(total / in_tile) ** 2)) / float(lines.var() + 1e-12)
    if explained < LEAST_EXPLAINED or (abs(unit[0]) < 0.1 and rows * mm * size < LEAST_RINGS):
        return None
    return estimate, covariance


def _roll_direction(patch: Array, mm: float) -> tuple[float, float, tuple[float, float]]:
    """Angle of the roll in the patch with its standard uncertainty (rad), and the band's two rims in its middle (mm).

    The two rims of the band, where the ink begins, are straight lines along the roll.
    """
    rows, columns = patch.shape
    gx, gy = np.abs(np.gradient(patch, axis=1)), np.abs(np.gradient(patch, axis=0))
    strokes = gx + gy
    wide = max(4, round(3.0 / mm))
    count = max(3, columns // wide)
    edges = np.linspace(0, columns, count + 1).astype(int)
    profile = np.add.reduceat(strokes, edges[:-1], axis=1) / np.diff(edges)[None, :]
    profile = np.asarray(cv2.blur(profile, (1, max(1, round(0.6 / mm)))), np.float64)
    at = mm * (edges[:-1] + edges[1:] - 1) / 2.0
    strong = np.median(profile[rows // 3 : 2 * rows // 3], axis=0)
    usable = strong > 0.5 * float(np.median(strong))
    tops, bottoms = np.full(count, np.nan), np.full(count, np.nan)
    for i in np.flatnonzero(usable):
        above = np.flatnonzero(profile[:, i] > 0.5 * strong[i])
        if above.size > 2:
            tops[i], bottoms[i] = (
                _crossing(profile[:, i], 0.5 * strong[i], above[0], -1) * mm,
                _crossing(profile[:, i], 0.5 * strong[i], above[-1], 1) * mm,
            )
    angles, widths = [], []
    for rim in (tops, bottoms):
        good = np.isfinite(rim)
        if good.sum() < 4:
            return 0.0, math.radians(1.5), (0.0, rows * mm)
        slope, intercept, u_slope = _robust_line(at[good], rim[good])
        angles.append((math.atan(slope), u_slope))
        widths.append(intercept + slope * float(at.mean()))
    angle = (angles[0][0] + angles[1][0]) / 2.0
    u = math.hypot(angles[0][1], angles[1][1]) / 2.0
    u = max(u, abs(angles[0][0] - angles[1][0]) / 2.0, math.radians(0.05))
    return angle, u, (widths[0], widths[1])


def _crossing(profile: Array, level: float, row: int, towards: int) -> float:
    """Where the profile crosses the level beside a row, by interpolation."""
    other = row + towards
    if not 0 <= other < profile.size:
        return float(row)
    a, b = float(profile[row]), float(profile[other])
    return row + towards * ((a - level) / (a - b) if a > level >= b else 0.0)


def _robust_line(x: Array, y: Array) -> tuple[float, float, float]:
    keep = np.ones(x.size, bool)
    slope, intercept = 0.0, float(np.median(y))
    for _ in range(5):
        slope, intercept = (float(c) for c in np.polyfit(x[keep], y[keep], 1))
        off = y - slope * x - intercept
        spread = 1.4826 * float(np.median(np.abs(off[keep]))) + 1e-6
        better = np.abs(off) < 3.5 * spread
        if bool((better == keep).all()) or better.sum() < 4:
            break
        keep = better
    off = (y - slope * x - intercept)[keep]
    n = off.size
    reach = float(np.sum((x[keep] - x[keep].mean()) ** 2))
    return slope, intercept, math.sqrt(float(np.sum(off**2)) / max(n - 2, 1) / max(reach, 1e-9))


def _lines(
    k: Array, covariance: Array, roll: float, u_roll: float, u_scale: float, u_shape: float
) -> tuple[PrintLines, float]:
    """A family from its wave vector and the direction of the roll; and the share of its phase in u(pitch)."""
    size = float(np.hypot(*k))
    unit = k / size
    share = math.sqrt(float(unit @ covariance @ unit)) / size
    normal = Quantity(1.0 / size, math.sqrt(share**2 + u_scale**2 + U_ROLL**2) / size, "mm")
    across = np.array([-unit[1], unit[0]])
    u_turned = u_shape * abs(float(unit[0] * unit[1]))
    u_direction = math.sqrt(float(across @ covariance @ across) / size**2 + u_roll**2 + u_turned**2)
    slant = math.atan2(k[1], k[0]) - roll
    slant = (slant + math.pi / 2.0) % math.pi - math.pi / 2.0
    helix = Quantity(math.degrees(abs(slant)), math.degrees(u_direction), "deg")
    if helix.value > 85.0:
        ring: Hand = "ring"
        return PrintLines(ring, ring, ring, normal, None, helix), share
    around = normal.value / math.cos(slant)
    u_around = around * math.hypot(normal.relative_u, math.tan(abs(slant)) * u_direction)
    # With y down, a wave vector to the lower right belongs to lines that rise to the right.
    on_paper: Hand = "axial" if helix.value < max(1.5, 2.0 * helix.u) else "right" if slant > 0 else "left"
    of_wheel: Hand = {"right": "left", "left": "right"}.get(on_paper, "axial")  # type: ignore[assignment]
    return PrintLines(on_paper, of_wheel, on_paper, normal, Quantity(around, u_around, "mm"), helix), share


# --- teeth ----------------------------------------------------------------------------------------------------------


def _teeth_by_nick(patch: Array, mm: float, k: Array, rims_mm: tuple[float, float]) -> tuple[int | None, int]:
    """Teeth after which a mark repeats, and how often it is seen to; (None, 0) without one.

    Every tooth is held against the mean tooth; what is left of a tooth must look like what is left of the tooth a turn
    later, far better than at any other distance.
    """
    # Finer along the roll, so that every part of every tooth holds some samples.
    finer = max(1, math.ceil(32.0 * mm * abs(float(k[0]))))
    rows, columns = patch.shape[0], patch.shape[1] * finer
    patch = np.asarray(cv2.resize(patch, (columns, rows), interpolation=cv2.INTER_CUBIC), np.float64)
    u, v = (np.arange(columns) + 0.5) * mm / finer, np.arange(rows) * mm
    number = k[0] * u[None, :] + k[1] * v[:, None]
    strips, bins = 4, 8
    top, bottom = (round(r / mm) for r in rims_mm)
    if bottom - top < 2 * strips:
        return None, 0
    strip = np.clip(((np.arange(rows) - top) * strips) // (bottom - top), 0, strips - 1)[:, None]
    inside = ((np.arange(rows) >= top) & (np.arange(rows) < bottom))[:, None] & np.ones((1, columns), bool)
    # Count so that the middle of a line is a whole number.
    inked = patch - cv2.GaussianBlur(patch, (0, 0), 1.2 / mm * finer, sigmaY=1.2 / mm)
    number = number - float(np.angle(np.sum(inked * np.exp(2j * np.pi * number)))) / (2.0 * math.pi)
    low = math.ceil(float(number.min()))
    tooth = np.floor(number + 0.5).astype(int) - low
    part = np.clip(((number + 0.5) % 1.0 * bins).astype(int), 0, bins - 1)
    count = int(tooth.max()) + 1
    index = ((tooth * strips + strip) * bins + part)[inside & (tooth >= 0)]
    weight = np.bincount(index, minlength=count * strips * bins).astype(float)
    total = np.bincount(index, patch[inside & (tooth >= 0)], minlength=count * strips * bins)
    seen = weight > 0
    table = np.where(seen, total / np.maximum(weight, 1.0), np.nan).reshape(count, strips * bins)
    full = np.isfinite(table).mean(axis=1) > 0.7
    if full.sum() < 30:
        return None, 0
    first, last = np.flatnonzero(full)[[0, -1]]
    table = np.nan_to_num(table[first : last + 1], nan=float(np.nanmedian(table)))
    # Pressure changes slowly along the roll; a nick is one tooth.
    slow = np.stack([np.median(table[max(0, i - 5) : i + 6], axis=0) for i in range(len(table))])
    left = table - slow
    spread = 1.4826 * np.median(np.abs(left), axis=0) + 0.01
    left = np.where(np.abs(left) > 4.0 * spread, left, 0.0)
    energy = (left**2).sum(axis=1)
    marked = np.flatnonzero(energy > NICK_SHARE * (slow**2).sum(axis=1))
    spoilt = set(marked.tolist())
    lone = [int(m) for m in marked if not {m - 1, m + 1} & set(marked.tolist())]

    def alike(a: int, b: int) -> bool:
        return float(left[a] @ left[b]) > 0.7 * math.sqrt(float(energy[a] * energy[b]))

    # Three marks alike at equal distances; two could be two blots. Every place on the print where the mark is due must
    # show it, or the distance is one by chance.
    found: list[tuple[int, int]] = []
    for i, a in enumerate(lone):
        for b in lone[i + 1 :]:
            lag = b - a
            if lag < 12 or not alike(a, b):
                continue
            # Where a blot or a gap lies nothing can be said.
            due = [m for m in range(a % lag, len(left), lag) if m in lone or not {m - 1, m, m + 1} & spoilt]
            shown = [m for m in due if m in lone and alike(a, m)]
            if len(shown) >= 3 and len(shown) == len(due):
                found.append((lag, len(shown)))
    lags = {lag for lag, _ in found}
    if len(lags) != 1:
        return None, 0
    return found[0]
