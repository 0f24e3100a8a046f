"""How right the outlines are: both edges of every part against photos with exact truth.

    python tests/bench/outline_accuracy.py [FOLDER] [--only WORD ...] [--save PICTURES]

A positive error is outside: the part looks too thick. Edges are compared at the middle of the knurl. With
--save a strip along each edge is written, straightened, the edge as found in its middle row and the true one as ticks.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from knurlsight.inspection import ScaleRequest, camera_of, scale_and_parts
from knurlsight.measuring.trace import zone_corners
from knurlsight.model import Outline
from numpy.typing import NDArray
from photoscale.photo import Photo, load_photo
from photoscale.straight_grid import sample
from photoscale.words import parse_height, parse_scale
from scale_accuracy import words

Array = NDArray[np.float64]
SHOWN = Path(__file__).resolve().parents[2].parent / "shared" / "photos" / "rendered"
ENLARGED, STRIP_PX = 4, 24


def outlines_of(photo: Photo, file: Path, truth: dict[str, Any]) -> tuple[Outline, ...]:
    """As `inspect` or `batch` would find them."""
    spec = words(truth)
    request = ScaleRequest()
    if spec is not None:
        beside = load_photo(file.with_name(truth["scale"]["image"])) if truth["scale"]["kind"] == "glass_ref" else None
        request = ScaleRequest(parse_scale(spec[0]), parse_height(spec[1]), beside)
    many = len(truth["parts"]) > 1
    return scale_and_parts(photo, request, camera_of(photo, request), None if many else 1)[2]


def compare(outline: Outline, part: dict[str, Any]) -> tuple[Array, Array, float]:
    """How far each edge lies outside its true line (px), the true line at the middle of each edge, the true width."""
    true = np.array(part["silhouette_px"], float)
    middle = true.reshape(-1, 2).mean(axis=0)
    off, feet = [], []
    for edge in outline.edges_px:
        nearest = min(true, key=lambda line: abs(_across(line, edge.mean(axis=0))))
        d = (nearest[1] - nearest[0]) / np.linalg.norm(nearest[1] - nearest[0])
        outward = np.array([-d[1], d[0]])
        if (nearest[0] - middle) @ outward < 0:
            outward = -outward
        off.append((edge.mean(axis=0) - nearest[0]) @ outward)
        feet.append(edge.mean(axis=0) - off[-1] * outward)
    width = abs(_across(true[0], true[1].mean(axis=0)))
    return np.array(off), np.array(feet), float(width)


def _across(line: Array, point: Array) -> float:
    d = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    return float((point - line[0]) @ np.array([-d[1], d[0]]))


def strip(photo: Photo, outline: Outline, k: int, true_px: Array) -> NDArray[np.uint8]:
    """The photo along one edge, outside on top; ticks at both sides where the true edge lies."""
    line = outline.edges_px[k]
    d = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    inward = np.array([-d[1], d[0]])
    if (outline.edges_px[1 - k].mean(axis=0) - line.mean(axis=0)) @ inward < 0:
        inward = -inward
    length = float(np.linalg.norm(line[1] - line[0]))
    u = np.arange(-length / 2, length / 2, 1 / ENLARGED)
    v = np.arange(-STRIP_PX, STRIP_PX, 1 / ENLARGED)
    grey = np.clip(sample(photo.grey, line.mean(axis=0), d, inward, u, v), 0, 255).astype(np.uint8)
    out = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    row = round((STRIP_PX + float((true_px - line.mean(axis=0)) @ inward)) * ENLARGED)
    cv2.line(out, (0, len(v) // 2), (len(u), len(v) // 2), (0, 200, 255), 1)
    for x in (0, len(u) - 40):
        cv2.line(out, (x, row), (x + 40, row), (0, 255, 0), 2)
    return np.asarray(out, np.uint8)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?", default=SHOWN)
    parser.add_argument("--only", nargs="+", default=[""], help="beginnings of photo names")
    parser.add_argument("--save", type=Path)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    kept: dict[str, list[tuple[float, float]]] = {"one part": [], "tray": []}
    lost = 0
    for file in sorted(args.folder.glob("*.json")):
        truth = json.loads(file.read_text())
        if not file.stem.startswith(tuple(args.only)) or not truth.get("parts"):
            continue
        if truth["expected"]["verdict"] == "refuse":
            continue
        photo = load_photo(file.with_suffix(".jpg"))
        found = outlines_of(photo, file, truth)
        for part in truth["parts"]:
            x0, y0, x1, y1 = part["knurl_box_px"]
            here = np.array([x0 + x1, y0 + y1]) / 2
            away = [float(np.linalg.norm(zone_corners(o).mean(axis=0) - here)) for o in found]
            if min(away, default=np.inf) > 0.4 * np.hypot(x1 - x0, y1 - y0):
                print(f"{file.stem:30s} {part['name']:10s} not found")
                lost += 1
                continue
            outline = found[int(np.argmin(away))]
            off, feet, width = compare(outline, part)
            total = 100 * float(off.sum()) / width
            u = 100 * 2 * outline.u_edge_px * np.sqrt(2) / width
            kept["tray" if len(truth["parts"]) > 1 else "one part"].append((total, u))
            held = "" if abs(total) <= u else "  not held"
            print(
                f"{file.stem:30s} {part['name']:10s} {part['form']} {width:5.0f} px wide: "
                f"edges {off[0]:+6.2f} {off[1]:+6.2f} px, width {total:+6.2f} ± {u:.2f} %{held}"
            )
            if args.save:
                args.save.mkdir(parents=True, exist_ok=True)
                for k in (0, 1):
                    name = f"{file.stem[:3]}_{part['name']}_{k}.png"
                    cv2.imwrite(str(args.save / name), strip(photo, outline, k, feet[k]))
    for kind, rows in kept.items():
        if rows:
            t = np.array(rows)
            print(
                f"{kind}: {len(t)} widths, off by {np.median(np.abs(t[:, 0])):.2f} % (median), "
                f"{np.percentile(np.abs(t[:, 0]), 95):.2f} % (p95), bias {np.median(t[:, 0]):+.2f} %, "
                f"2u {np.median(t[:, 1]):.2f} % (median), held {np.mean(np.abs(t[:, 0]) <= t[:, 1]):.0%}"
            )
    print(f"not found: {lost}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
