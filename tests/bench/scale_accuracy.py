"""How right the millimetres are: the whole scale chain against photos with exact truth, by scale source.

    python tests/bench/scale_accuracy.py [FOLDER] [--truth-marks] [--real FOLDER]

Then how far corners and graduation lines are off the truth in px, how long finding takes beside decoding, and which
rule is claimed in real photos: hand readings of these stand in the folder's MANIFEST.md.

The part's silhouette is taken from the truth and disturbed by 0.3 px, so that only the scale is judged. With
--truth-marks the scale's marks come from the truth too, disturbed by 0.05 px: then only the geometry is judged.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.card import CardReading, card_board
from photoscale.errors import PhotoscaleError
from photoscale.find import find_scale
from photoscale.photo import Photo, load_photo
from photoscale.quantity import Quantity
from photoscale.reading import PinReading, Reading, RuleReading
from photoscale.scene import CylinderScale, Silhouette, scale_cylinder
from photoscale.words import ScaleHeight, ScaleWord, parse_height, parse_scale

Array = NDArray[np.float64]
U_EDGE_PX = 0.3


def words(truth: dict[str, Any]) -> tuple[str, str] | None:
    """Scale word and height as a user would type them; None when the photo has no scale."""
    s = truth["scale"]
    top = s.get("top_height_above_table_mm") or 0.0
    height = f"{top:g}mm" if top > 1.5 else "bench"
    match s["kind"]:
        case "rule":
            return ("rule:1/32in" if s["rule"].startswith("inch") else "rule:1mm"), height
        case "card":
            return f"card:{s['measured_square_mm']:g}mm", height
        case "pin":
            return f"pin:{s['diameter_mm']:g}mm", height
        case "od":
            return f"od:{s['caliper_od_mm']:g}mm", height
        case "glass_ref":
            return "rule:0.1mm", "crest"
    return None


def true_camera(truth: dict[str, Any]) -> Camera:
    """The camera that made the photo."""
    c = truth["camera"]
    k = c["K"]
    lens = c["distortion"]
    return Camera(k[0][0], (k[0][2], k[1][2]), (lens["k1"], lens["k2"], 0.0, 0.0), 1e-6)


def true_silhouette(truth: dict[str, Any], part: dict[str, Any], rng: np.random.Generator) -> Silhouette:
    """Edges from the truth, each shifted by one draw; how the body lies, as from its whole outline."""
    a, b = (np.array(e, float) for e in part["silhouette_px"])
    shifted = []
    for edge in (a, b):
        d = (edge[1] - edge[0]) / np.linalg.norm(edge[1] - edge[0])
        shifted.append(edge + rng.normal(0, U_EDGE_PX) * np.array([-d[1], d[0]]))
    radius = part.get("crest_envelope_od_mm", part["od_mm"]) / 2
    end_a, end_b = np.array(part["end_A_mm"]), np.array(part["end_B_mm"])
    axis = (end_b - end_a) / np.linalg.norm(end_b - end_a)
    foot = end_a + ((np.array(truth["camera"]["centre_world_mm"]) - end_a) @ axis) * axis
    # two points that touch the table, as far apart as one likes: the part lies on the line through them
    z = np.array([-10.0, 10.0]) * radius
    cosine = np.hypot(axis[0], axis[1])
    r = (foot[2] + z * axis[2]) / cosine
    return Silhouette(shifted[0], shifted[1], U_EDGE_PX, np.column_stack([z, r]) / radius)


def true_reading(truth: dict[str, Any], word: ScaleWord, rng: np.random.Generator) -> Reading | None:
    """Marks from the truth, each shifted by 0.05 px; None for a scale that is not in the photo."""
    s = truth["scale"]
    if s["kind"] == "card":
        inside = [c for c in s["corners"] if in_frame(truth, c["px"])]
        board = np.asarray(card_board(s["measured_square_mm"]).getChessboardCorners(), float)[:, :2]
        mm = board[[c["id"] for c in inside]]
        px = np.array([c["px"] for c in inside]) + rng.normal(0, 0.05, (len(inside), 2))
        return CardReading(px, mm, s["measured_square_mm"], 0.03, 0.05)
    if s["kind"] == "rule":
        inside = [t for t in s["long_ticks"] if in_frame(truth, t["px"])]
        px = np.array([t["px"] for t in inside]) + rng.normal(0, 0.05, (len(inside), 2))
        mm = np.array([t["value_mm"] for t in inside])
        edge = np.array([int(t["edge"] == "far") for t in inside])
        return RuleReading(px, mm, edge, 1.0, (1.0, 1.0), "from truth", 0.05, 0.05, 0.3, np.zeros((4, 2)))
    if s["kind"] == "pin":
        a, b = (np.array(e, float) for e in s["silhouette_px"])
        return PinReading(a, b, Quantity(s["diameter_mm"], 0.003, "mm"), 0.1)
    return None


def in_frame(truth: dict[str, Any], px: list[float]) -> bool:
    """Whether a point is in the photo."""
    w, h = truth["image_size_upright"]
    return 0 <= px[0] < w and 0 <= px[1] < h


def mark_errors(truth: dict[str, Any], reading: Reading) -> Array:
    """Distances (n,) in px of what was read from where it really is: corners, or long lines along the rule."""
    s = truth["scale"]
    if isinstance(reading, CardReading):
        board = np.asarray(card_board(reading.square_mm).getChessboardCorners(), float)[:, :2]
        px = {c["id"]: np.array(c["px"]) for c in s["corners"]}
        ids = [int(np.argmin(np.abs(board - mm).sum(axis=1))) for mm in reading.points_mm]
        return np.array([np.linalg.norm(p - px[i]) for p, i in zip(reading.points_px, ids, strict=True)])
    if isinstance(reading, RuleReading) and "long_ticks" in s:
        off = []
        near, far = (
            {t["value_mm"]: np.array(t["px"]) for t in s["long_ticks"] if t["edge"] == e} for e in ("near", "far")
        )
        for value in near.keys() & far.keys():
            # the whole line, from edge to edge; what was read stands somewhere on it
            a, b = np.array(near[value]), np.array(far[value])
            if not (in_frame(truth, a) and in_frame(truth, b)):
                continue
            across = (b - a) / np.linalg.norm(b - a)
            distance = (reading.points_px - a) @ np.array([-across[1], across[0]])
            for k in (0, 1):
                mine = np.abs(distance[reading.edge == k])
                if mine.size and mine.min() < 3:  # else this line was not read
                    off.append(float(mine.min()))
        return np.array(off)
    return np.empty(0)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    shown = Path(__file__).resolve().parents[2].parent / "shared" / "photos" / "rendered"
    parser.add_argument("folder", type=Path, nargs="?", default=shown)
    parser.add_argument("--truth-marks", action="store_true")
    parser.add_argument("--real", type=Path, default=shown.parent / "real")
    parser.add_argument("--only", default="", help="part of a photo's name")
    args = parser.parse_args()
    if not args.folder.is_dir():
        print(f"{args.folder}: no such folder", file=sys.stderr)
        return 2
    cv2.setNumThreads(1)
    rng = np.random.default_rng(20)
    rows: dict[str, list[tuple[float, float, float, float]]] = defaultdict(list)
    times: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
    marks: dict[str, list[Array]] = defaultdict(list)
    for file in sorted(args.folder.glob("*.json")):
        truth = json.loads(file.read_text())
        if args.only not in file.stem or not truth.get("parts") or (spec := words(truth)) is None:
            continue
        started = time.process_time()
        photo = load_photo(file.with_suffix(".jpg"))
        decoding = time.process_time() - started
        word, height = parse_scale(spec[0]), parse_height(spec[1])
        try:
            scales, kind, off, took = chain(file, truth, photo, word, height, spec, rng, args.truth_marks)
        except PhotoscaleError as e:
            print(f"{file.stem:30s} {spec[0]:12s} {e}")
            if truth["expected"]["verdict"] != "refuse":
                rows["not found"].append((np.nan,) * 4)
            continue
        times[kind.split()[0]].append((photo.width_px * photo.height_px / 1e6, took, decoding))
        marks[kind.split()[0]].append(off)
        read = f"{len(off)} marks off {np.sqrt(np.mean(off**2)):.2f} px" if len(off) else ""
        read += f" in {took:.2f} s" * (not args.truth_marks)
        for part, scale in zip(truth["parts"], scales, strict=True):
            od = part.get("crest_envelope_od_mm", part["od_mm"])
            e_px = 100 * (scale.mm_per_px.value / part["mm_per_px_axial"] - 1)
            e_od = 100 * (scale.outside_diameter.value / od - 1)
            u_px, u_od = 200 * scale.mm_per_px.relative_u, 200 * scale.outside_diameter.relative_u
            rows[kind].append((e_px, u_px, e_od, u_od))
            focal = scale.camera.focal_px / truth["camera"]["K"][0][0] - 1
            big = ", ".join(f"{row.source} {100 * row.u_rel:.2f}" for row in scale.budget[:3])
            print(
                f"{file.stem:30s} {spec[0]:12s} {spec[1]:6s} mm/px {e_px:+.3f} ± {u_px:.2f} %"
                f"  OD {e_od:+.3f} ± {u_od:.2f} %"
                f"  f {100 * focal:+.1f} ± {200 * scale.camera.u_focal_rel:.1f} %  {read}  [{big}]"
            )
    print()
    print("source             n   mm/px: median  p95  median 2u  held   |  OD: median  p95  median 2u  held")
    for kind, found in [*sorted(rows.items()), ("all", [r for rs in rows.values() for r in rs])]:
        t = np.array(found)
        t = t[np.isfinite(t[:, 0])]
        if not len(t):
            print(f"{kind:16s} {len(found):3d}")
            continue
        line = f"{kind:16s} {len(found):3d}  "
        for e, u in ((t[:, 0], t[:, 1]), (t[:, 2], t[:, 3])):
            line += (
                f"   {np.median(np.abs(e)):6.3f} {np.percentile(np.abs(e), 95):6.3f} {np.median(u):6.2f} %"
                f" {100 * np.mean(np.abs(e) <= u):5.0f} %  |"
            )
        print(line)
    print()
    for kind, offs in sorted(marks.items()):
        off = np.concatenate(offs)
        if len(off):
            words_of = "corners" if kind == "card" else "long lines"
            middle, most = np.median(off), np.percentile(off, 95)
            print(f"{kind}: {len(off)} {words_of} in {len(offs)} photos off by {middle:.3f} px, p95 {most:.3f} px")
    print()
    for kind, found in sorted(times.items()):
        size, took, decoding = np.array(found).T
        line = f"finding {kind}: {np.median(took / decoding):.1f} times as long as decoding and hashing the photo"
        if (large := size > 10).any():
            line += f"; at {size[large].max():.0f} Mpx {np.median((took / decoding)[large]):.1f} times"
        print(line)
    if args.real.is_dir() and not args.only:
        print()
        real_photos(args.real)
    return 0


def real_photos(folder: Path) -> None:
    """Which rule is claimed in each photo without a word, and its scale."""
    for path in sorted(folder.glob("*.jpg")):
        photo = load_photo(path)
        started = time.process_time()
        try:
            reading = find_scale(photo, parse_scale("rule"))
        except PhotoscaleError:
            words = "no rule claimed"
        else:
            assert isinstance(reading, RuleReading)
            px, mm = (a[reading.edge == 0] for a in (reading.points_px, reading.along_mm))
            step = np.linalg.norm(np.diff(px, axis=0), axis=1) / np.abs(np.diff(mm))
            words = f"{reading.graduation}, {len(mm)} lines of one edge, {np.median(step):.2f} px per mm"
        print(f"{path.stem:40s} {words} ({time.process_time() - started:.2f} s)")


def chain(
    file: Path,
    truth: dict[str, Any],
    photo: Photo,
    word: ScaleWord,
    height: ScaleHeight,
    spec: tuple[str, str],
    rng: np.random.Generator,
    truth_marks: bool,
) -> tuple[list[CylinderScale], str, Array, float]:
    """Scales of all parts, the kind of source, px by which marks are off, and seconds spent on finding them."""
    scale_photo = photo
    avoid = [np.array(p["knurl_polygon_px"], float) for p in truth["parts"]]
    if truth["scale"]["kind"] == "glass_ref":
        scale_photo = load_photo(file.with_name(truth["scale"]["image"]))
        avoid = []
    reading = true_reading(truth, word, rng) if truth_marks else None
    started = time.process_time()
    if reading is None:
        reading = find_scale(scale_photo, word, avoid)
    took = time.process_time() - started
    off = mark_errors(truth, reading)
    kind = truth["scale"]["kind"]
    if kind in ("rule", "card") and spec[1] != "bench":
        kind += " raised"
    scales = [
        scale_cylinder(photo, reading, true_silhouette(truth, part, rng), height, None) for part in truth["parts"]
    ]
    return scales, kind, off, took


if __name__ == "__main__":
    sys.exit(main())
