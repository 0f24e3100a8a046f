"""Trays taken apart: parts found, phantoms, names, outlines, and verdicts that are confident and wrong.

    python tests/bench/trays.py [--kinds rows angles …] [--seeds 1 2] [--judge] [--turned] [--keep FOLDER]

Scenes are those of `tray_scenes.py`, rendered once into the folder. With `--turned` each photo is also looked at with
the camera turned by 90°, 180° and 270°: names must stay. Without `--judge` parts are found and named, not measured.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from knurlsight.batch.tray import inspect_tray, name_parts, standing_apart
from knurlsight.inspection import ScaleRequest, camera_of, marks_px, scale_and_parts
from knurlsight.measuring.trace import zone_corners
from knurlsight.model import Outline
from knurlsight.setup_math.setup import setup_from_text
from photoscale.photo import Photo, load_photo
from photoscale.words import parse_scale
from tray_scenes import FOREIGN, KINDS, tray_scene, with_washer

TURNS = (90, 180, 270)  # clockwise


@dataclass
class Count:
    """What came of some trays."""

    parts: int = 0
    found: int = 0
    names: int = 0
    outlines: int = 0
    phantoms: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    missed: list[str] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)

    def add(self, other: Count) -> None:
        for name in ("parts", "found", "names", "outlines", "phantoms", "seconds"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.verdicts += other.verdicts
        self.missed += other.missed
        self.odd += other.odd

    def line(self, head: str) -> str:
        text = f"{head:24s} {self.found:4d} of {self.parts:4d} found, {self.phantoms:2d} phantoms, "
        text += f"{self.names:4d} named right, {self.outlines:4d} outlines right, {self.seconds:6.1f} s"
        return text + (f"  {dict(self.verdicts)}" if self.verdicts else "")


def photo_of(kind: str, seed: int, folder: Path) -> Path:
    """The photo, rendered unless it is there; its truth beside it."""
    from synthesiser import write_photo

    path = folder / f"{kind}_{seed}.jpg"
    if not path.exists():
        write_photo(tray_scene(kind, seed), seed, folder)
        if kind == "gaps":
            from PIL import Image

            with Image.open(path) as old:
                exif, grey = old.getexif(), np.asarray(old.convert("L"))
            Image.fromarray(with_washer(grey, seed)).save(path, quality=92, exif=exif)
    return path


def turned_photo(path: Path, degrees: int, folder: Path) -> Path:
    from PIL import Image

    out = folder / f"{path.stem}_turned{degrees}.jpg"
    if not out.exists():
        with Image.open(path) as old:
            turned = old.transpose(getattr(Image.Transpose, f"ROTATE_{360 - degrees}"))
            turned.save(out, quality=95, exif=old.getexif())
    return out


def turned_points(points: np.ndarray, degrees: int, size: tuple[int, int]) -> np.ndarray:
    """Points of the upright photo where the turned one shows them; `size` is (width, height) of the upright photo."""
    x, y = points[..., 0], points[..., 1]
    w, h = size
    return {
        0: points,
        90: np.stack([h - 1 - y, x], axis=-1),
        180: np.stack([w - 1 - x, h - 1 - y], axis=-1),
        270: np.stack([y, w - 1 - x], axis=-1),
    }[degrees]


def outline_right(outline: Outline, true_edges: np.ndarray) -> bool:
    """Axis within 2°, width within 4 %."""

    def axis(e: np.ndarray) -> float:
        along = (e[0, 1] - e[0, 0]) + (e[1, 1] - e[1, 0])
        return math.degrees(math.atan2(along[1], along[0]))

    def width(e: np.ndarray) -> float:
        return float(np.linalg.norm(e[0].mean(axis=0) - e[1].mean(axis=0)))

    found = np.asarray(outline.edges_px)
    off = abs((axis(found) - axis(true_edges) + 90) % 180 - 90)
    return off < 2.0 and abs(width(found) / width(true_edges) - 1) < 0.04


def looked_at(photo: Photo, truth: dict, degrees: int = 0) -> Count:
    """Parts found and named, without measuring them."""
    begin = time.process_time()
    request = ScaleRequest(parse_scale("card"))
    camera = camera_of(photo, request)
    reading, _, found = scale_and_parts(photo, request, camera, most=None)
    outlines = standing_apart(found, marks_px(reading) if reading is not None else np.empty((0, 2)))
    named, _ = name_parts(outlines, reading, None, None)
    count = Count(seconds=time.process_time() - begin)
    size = tuple(truth["image_size_upright"])
    left = list(named)
    for part in truth["parts"]:
        if FOREIGN in part["name"]:
            continue
        count.parts += 1
        polygon = turned_points(np.array(part["knurl_polygon_px"]), degrees, size)
        x0, y0, x1, y1 = (*polygon.min(axis=0), *polygon.max(axis=0))
        here, reach = np.array([(x0 + x1) / 2, (y0 + y1) / 2]), 0.4 * math.hypot(x1 - x0, y1 - y0)
        best = min(left, key=lambda n: np.hypot(*(zone_corners(n.outline).mean(axis=0) - here)), default=None)
        who = f"{truth['stem']}/{part['name']}"
        if best is None or np.hypot(*(zone_corners(best.outline).mean(axis=0) - here)) > reach:
            count.missed.append(who)
            continue
        left.remove(best)
        count.found += 1
        count.names += best.id == part["name"]
        right = outline_right(best.outline, turned_points(np.array(part["silhouette_px"]), degrees, size))
        count.outlines += right
        if not right:
            count.odd.append(who)
    count.phantoms = len(left)
    count.missed += [f"{truth['stem']}: phantom at {zone_corners(n.outline).mean(axis=0).round()}" for n in left]
    return count


def judged(photo: Photo, truth: dict) -> Counter[str]:
    """Verdicts wanted and got, by place."""
    setup = next(p["setup"] for p in truth["parts"] if FOREIGN not in p["name"])
    text = f"[part]\noutside_diameter = '{setup['od_mm']} mm'\n[pattern]\nform = '{setup['form']}'\n"
    text += f"normal_pitch = '{setup['wheel_pitch_mm']} mm'\nhelix = '{setup['helix_deg']} deg'\n"
    text += "[tolerance]\nform_fill = 0.5\n"
    inspection = inspect_tray(photo, setup_from_text(text), ScaleRequest(parse_scale("card")))
    got = Counter[str]()
    for part in truth["parts"]:
        if FOREIGN in part["name"]:
            continue
        x0, y0, x1, y1 = part["knurl_box_px"]
        inside = [
            p
            for p in inspection.parts
            if x0 < (c := zone_corners(p.pattern.outline).mean(axis=0))[0] < x1 and y0 < c[1] < y1
        ]
        verdict = inside[0].verdict if inside else "not found"
        got[f"{part['expected']['verdict']}→{verdict}"] += 1
    return got


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kinds", nargs="+", default=KINDS, choices=KINDS)
    parser.add_argument("--seeds", nargs="+", type=int, default=[1, 2])
    parser.add_argument("--judge", action="store_true")
    parser.add_argument("--turned", action="store_true")
    parser.add_argument("--keep", type=Path, help="where photos are kept for the next run")
    args = parser.parse_args()
    folder = args.keep or Path(tempfile.mkdtemp())
    folder.mkdir(exist_ok=True)
    whole = Count()
    for kind in args.kinds:
        for seed in args.seeds:
            path = photo_of(kind, seed, folder)
            truth = json.loads(path.with_suffix(".json").read_text())
            photo = load_photo(path)
            count = looked_at(photo, truth)
            if args.judge:
                count.verdicts += judged(photo, truth)
            print(count.line(path.stem), flush=True)
            whole.add(count)
            for degrees in TURNS if args.turned else ():
                again = looked_at(load_photo(turned_photo(path, degrees, folder)), truth, degrees)
                print(again.line(f"  turned by {degrees}°"), flush=True)
                whole.add(again)
    print(whole.line("all"))
    print("missed or phantom: " + (", ".join(whole.missed) or "none"))
    print("outlines off: " + (", ".join(whole.odd) or "none"))
    wrong = sum(n for v, n in whole.verdicts.items() if v in ("pass→fail", "fail→pass"))
    if args.judge:
        print(f"confident wrong: {wrong}")
    return int(wrong > 0)


if __name__ == "__main__":
    raise SystemExit(main())
