"""The usual few lines of scikit-image and NumPy on a photo with truth, their error and time beside ours.

    python tests/bench/plain_recipe.py [PHOTO] [--scale SPEC]

The recipe is told what it would have to find: where the pattern is, how the part is turned and the millimetres per
pixel. It cuts out, rotates, windows (Hann), transforms and takes the highest peak of each hand. It knows nothing of the
part being round. A second row gives it the middle of the view alone and a parabola through each peak.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from pathlib import Path
from typing import Any

import numpy as np
from knurlsight.inspection import ScaleRequest, inspect_part
from numpy.typing import NDArray
from photoscale.photo import load_photo
from photoscale.words import parse_scale
from skimage.io import imread
from skimage.transform import rotate

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "photos" / "rendered"
DEFAULT = SHARED / "d13_rge_chipped_tooth_12mp.jpg"
LEAST_CYCLES = 6  # slower than this is shading


def upright_patch(path: Path, part: dict[str, Any], share: float) -> NDArray[np.float64]:
    """The true box, turned so that the axis lies along the rows; the middle `share` of its height."""
    image = imread(path, as_gray=True)
    x0, y0, x1, y1 = (round(v) for v in part["knurl_box_px"])
    patch = image[max(0, y0) : y1, max(0, x0) : x1]
    (ax, ay), (bx, by) = part["end_A_px"], part["end_B_px"]
    patch = rotate(patch, math.degrees(math.atan2(by - ay, bx - ax)), resize=False, mode="reflect")
    rows = patch.shape[0]
    skip = round(rows * (1 - share) / 2)
    return patch[skip : rows - skip]


def refined(power: NDArray[np.float64], y: int, x: int) -> tuple[float, float]:
    """The peak by a parabola through the logarithm, each way."""

    def summit(a: float, b: float, c: float) -> float:
        a, b, c = (math.log(v + 1e-300) for v in (a, b, c))
        return 0.5 * (a - c) / (a - 2 * b + c)

    rows, cols = power.shape
    up, down, left, right = power[y - 1, x], power[(y + 1) % rows, x], power[y, x - 1], power[y, (x + 1) % cols]
    return y + summit(up, power[y, x], down), x + summit(left, power[y, x], right)


def recipe(path: Path, part: dict[str, Any], share: float, parabola: bool) -> dict[str, tuple[float, float]]:
    """Normal pitch (px) and helix (degrees) by hand."""
    patch = upright_patch(path, part, share)
    rows, cols = patch.shape
    window = np.outer(np.hanning(rows), np.hanning(cols))
    power = np.abs(np.fft.fft2((patch - patch.mean()) * window)) ** 2
    fy, fx = np.fft.fftfreq(rows)[:, None], np.fft.fftfreq(cols)[None]
    found = {}
    # axis across the picture: right-hand lines run from top left to bottom right, their two frequencies differ in sign
    for hand, side in (("right", -1), ("left", 1)):
        mine = np.where((fx * cols >= LEAST_CYCLES) & (side * fy * rows >= LEAST_CYCLES), power, 0)
        y, x = (int(i) for i in np.unravel_index(int(mine.argmax()), mine.shape))
        top, across = refined(power, y, x) if parabola else (float(y), float(x))
        around = (top - rows if top > rows / 2 else top) / rows
        along = across / cols
        found[hand] = (1 / math.hypot(around, along), math.degrees(math.atan2(along, abs(around))))
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", type=Path, nargs="?", default=DEFAULT)
    parser.add_argument("--scale", default="", help="as for knurlsight inspect; default: what is found in the photo")
    args = parser.parse_args()
    truth_file = args.photo.with_suffix(".json")
    if not args.photo.is_file() or not truth_file.is_file():
        print(f"skipped: {args.photo} or its truth file is not there; give the path of a photo with a .json beside it")
        return 0
    truth = json.loads(truth_file.read_text())
    part = truth["parts"][0]
    wanted = {f["hand"]: f for f in part["families"]}
    if truth["exif_orientation"] != 1 or sorted(wanted) != ["left", "right"]:
        print(f"skipped: {args.photo.name} is stored turned or is no diamond; the recipe is for upright diamonds")
        return 0

    def row(name: str, seconds: float, found: dict[str, tuple[float, float]]) -> None:
        """Print time and errors of pitch (mm) and helix by hand."""
        line = f"{name:34s} {seconds:6.2f} s"
        for hand in ("right", "left"):
            if hand not in found:
                line += f"   {hand}: nothing"
                continue
            pitch, helix = found[hand]
            pitch_off = 100 * (pitch / wanted[hand]["normal_pitch_mm"] - 1)
            line += f"   {hand}: pitch {pitch_off:+6.2f} %, helix {helix - wanted[hand]['helix_deg']:+6.2f}°"
        print(line)

    mm_per_px = part["mm_per_px_axial"]
    for name, share, parabola in (
        ("plain, whole box, highest bin", 1.0, False),
        ("plain, middle half, parabola", 0.5, True),
    ):
        recipe(args.photo, part, share, parabola)  # warm
        begin = time.perf_counter()
        found = recipe(args.photo, part, share, parabola)
        took = time.perf_counter() - begin
        row(name, took, {hand: (pitch * mm_per_px, helix) for hand, (pitch, helix) in found.items()})

    request = ScaleRequest(parse_scale(args.scale) if args.scale else None)
    inspect_part([load_photo(args.photo)], None, request)  # warm
    begin = time.perf_counter()
    inspection = inspect_part([load_photo(args.photo)], None, request)
    took = time.perf_counter() - begin
    ours = {
        f.hand: (f.normal_pitch.value, f.helix_angle.value)
        for p in inspection.parts
        for f in p.pattern.families
        if f.normal_pitch is not None
    }
    row("knurlsight, told nothing", took, ours)
    for reason in inspection.reasons:
        print(f"  {reason}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
