"""Pictures of an inspection: the annotated photo, close-ups, the unrolled surface and its spectrum, as image bytes."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.photo import colour

from knurlsight.inspection import Inspection, PartInspection
from knurlsight.model import Family, Pattern, Spectrum, Surface
from knurlsight.reporting import annotate
from knurlsight.reporting.annotate import Drawn, Numbered
from knurlsight.reporting.drawing import to_png
from knurlsight.reporting.figures import Units
from knurlsight.reporting.groove_picture import groove_drawing
from knurlsight.reporting.map_pictures import map_drawing
from knurlsight.reporting.terminal import seen_words, why

Image = NDArray[np.uint8]
JPEG_QUALITY = 88
MAP_DOTS_PER_INCH = 150.0


def annotated(inspection: Inspection, units: Units = "mm") -> Image:
    """The first photo with everything found drawn on it (H, W, 3), blue-green-red."""
    judged = inspection.verdict is not None
    lines = list(why(inspection, units))[:2] if judged else ["no setup was given, so nothing is judged"]
    seen = seen_words([p.pattern for p in inspection.parts])
    return annotate.picture(
        colour(inspection.photos[0]),
        [drawn(p) for p in inspection.parts],
        inspection.verdict,
        [*lines, seen] if seen else lines,
        inspection.scale_px,
        [annotate.Empty(f"{a.id} missing", a.at_px, a.radius_px) for a in inspection.absent],
    )


def close_ups(inspection: Inspection) -> tuple[Image, ...]:
    """The knurled zone of each part with its traced ridges."""
    photo = colour(inspection.photos[0])
    return tuple(annotate.close_up(photo, drawn(p)) for p in inspection.parts)


def drawn(part: PartInspection) -> Drawn:
    """What to draw of a part."""
    nowhere = np.empty((0, 2))
    faults = tuple(
        # what is wrong with the whole zone needs no polygon round it
        Numbered(i, f.words, nowhere if f.extent is None or f.extent >= 1 else np.asarray(f.where_px, np.float64))
        for i, f in enumerate(part.pattern.faults, 1)
    )
    return Drawn(part.pattern.outline, part.pattern.families, part.id, part.verdict, faults)


def maps(pattern: Pattern, units: Units = "mm") -> bytes | None:
    """The four maps of a part as PNG; None without them."""
    drawing = map_drawing(pattern, inches=units == "in")
    return to_png(drawing, MAP_DOTS_PER_INCH) if drawing is not None else None


def grooves(pattern: Pattern) -> bytes | None:
    """The mean grooves of a part as PNG; None where nothing was folded."""
    drawing = groove_drawing(pattern)
    return to_png(drawing, MAP_DOTS_PER_INCH) if drawing is not None else None


def encoded(image: Image, suffix: str = ".png") -> bytes:
    """A picture as the bytes of a .png or .jpg file."""
    jpeg = suffix.lower() in (".jpg", ".jpeg")
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY] if jpeg else [cv2.IMWRITE_PNG_COMPRESSION, 4]
    done, data = cv2.imencode(".jpg" if jpeg else ".png", image, options)
    if not done:
        raise ValueError(f"the picture could not be encoded as {suffix}")
    return bytes(data)


def unrolled(surface: Surface, longest_px: int = 1000) -> Image:
    """The unrolled zone in grey, its contrast evened, square to scale (mm along = mm around)."""
    grey = np.asarray(surface.brightness, np.float32)
    valid = np.asarray(surface.valid, np.bool_) & np.isfinite(grey)
    low, high = np.percentile(grey[valid], [1, 99]) if valid.any() else (0.0, 1.0)
    tones = np.clip((grey - low) / max(high - low, 1e-9), 0, 1) * 255
    tones[~valid] = 255
    along, around = float(np.ptp(surface.z)), float(np.ptp(surface.theta))
    k = longest_px / max(along, around, 1e-9)
    size = max(2, round(along * k)), max(2, round(around * k))
    resized = cv2.resize(tones.astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    return np.repeat(np.asarray(resized, np.uint8)[:, :, None], 3, axis=2)


def spectrum(power: Spectrum, families: tuple[Family, ...], side_px: int = 640) -> Image:
    """The spectrum in grey over 40 dB, its middle (slow changes of light) left out, the families marked.

    A line family with N teeth and axial pitch p_a (radii) stands at N/2π cycles per radius around and ±1/p_a along.
    """
    along = np.asarray(power.cycles_per_radius_along, np.float64)
    around = np.asarray(power.cycles_per_radius_around, np.float64)
    marks = [_peak(f) for f in families]
    reach = 2.4 * max([max(abs(a), abs(b)) for a, b in marks], default=0.0) or float(np.abs(along).max())
    rows = np.flatnonzero(np.abs(around) <= reach)
    cols = np.flatnonzero(np.abs(along) <= reach)
    canvas = np.zeros((side_px, side_px, 3), np.uint8)
    if len(rows) < 2 or len(cols) < 2:
        return canvas
    x = np.linspace(-reach, reach, side_px)
    across, up = np.broadcast_to(x, (side_px, side_px)), np.broadcast_to(x[::-1, None], (side_px, side_px))
    # a real picture's spectrum is the same at opposite points: half of it may have been left out
    mirror = np.where((across < along.min()) | (up < around.min()), -1.0, 1.0)
    col = np.interp(mirror * across, along, np.arange(len(along))).astype(np.float32)
    row = np.interp(mirror * up, around, np.arange(len(around))).astype(np.float32)
    picked = cv2.remap(np.asarray(power.power, np.float32), col, row, cv2.INTER_LINEAR)
    radius = np.hypot(across, up)
    outside = (np.abs(across) > np.abs(along).max()) | (np.abs(up) > np.abs(around).max())
    nearest = min((np.hypot(a, b) for a, b in marks), default=reach / 4)
    fair = (radius > 0.4 * nearest) & ~outside
    top = float(picked[fair].max(initial=1e-30))
    tones = 1 + np.log10(np.maximum(picked / max(top, 1e-30), 1e-4)) / 4
    canvas[:] = (np.clip(np.where(outside, 0, tones), 0, 1) * 235)[:, :, None].astype(np.uint8)
    pen = 2
    for family, (a, b) in zip(families, marks, strict=True):
        for sign in (1, -1):
            at = round((sign * a / reach + 1) / 2 * (side_px - 1)), round((1 - sign * b / reach) / 2 * (side_px - 1))
            cv2.circle(canvas, at, 13, annotate.INK[::-1], pen + 2, cv2.LINE_AA)
            cv2.circle(canvas, at, 13, annotate.FAMILY_COLOURS[family.hand][::-1], pen, cv2.LINE_AA)
    return canvas


def _peak(family: Family) -> tuple[float, float]:
    """Cycles per radius (along, around) at which a family stands."""
    along = family.sign / family.axial_pitch_radii if np.isfinite(family.axial_pitch_radii) else 0.0
    return float(along), family.teeth_fit / float(2 * np.pi)
