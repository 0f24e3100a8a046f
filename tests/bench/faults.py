"""Which faults are found, where, and how many that are not there, against exact truth.

    python tests/bench/faults.py [--rendered FOLDER] [--only NAME ...] [--synthetic PER_KIND] [--seed SEED]

Outline, camera and scale are taken from the truth, so that only the faults are judged; the setup and its limits are
those of the truth file. Overlap: shared over joined area for patches, over joined length for run-ins; for marks, seams,
dislocations and chips the share of true places that lie within a pitch of what was found.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "fixtures"))
SHARED = ROOT.parent / "shared" / "photos" / "rendered"

KINDS = {
    "double_track": "double_tracking",
    "pitch_drift": "pitch_drift",
    "run_in": "fading",
    "non_closing_seam": "open_seam",
    "chip_tooth": "wheel_mark",
    "torn": "torn",
    "chips": "torn",
    "dents": "torn",
    "dislocation": "dislocation",
    "chatter": "chatter",
    "feed_rings": "feed_rings",
    "runout": "runout",
}
WHOLE_PART = ("runout",)  # one photo cannot tell
PLACED = ("torn", "chips", "dents", "run_in", "chip_tooth", "non_closing_seam", "dislocation")
FROM_REASONS = (
    ("normal pitch", "pitch_wrong"),
    ("helix", "leaning"),
    ("included angle", "included_angle"),
    ("shallow", "shallow"),
    ("unequal", "unequal_families"),
)
# one fault shows in several figures: none of these is false beside the other
KIN = {
    "pitch_wrong": {"wrong_count", "included_angle", "wrong_form"},
    "leaning": {"included_angle", "helix_wrong"},
    "included_angle": {"leaning", "helix_wrong"},
    "open_seam": {"double_tracking", "wrong_count"},
    "unequal_families": {"shallow"},
    "pitch_drift": {"pitch_wrong", "leaning", "included_angle"},
    "double_tracking": {"shallow", "pitch_wrong", "wrong_count", "unequal_families"},
    "fading": {"short_pattern"},
    "torn": {"wheel_mark"},
    "wheel_mark": {"torn"},
}


@dataclass
class Tally:
    """How often a kind was there, found, and where."""

    there: int = 0
    found: int = 0
    overlaps: list[float] = field(default_factory=list)
    spacings: list[float] = field(default_factory=list)
    false: int = 0
    missed: list[str] = field(default_factory=list)


def wanted_kinds(part: dict[str, Any]) -> set[str]:
    """Kinds of the table of causes that are there, by the truth."""
    kinds = {KINDS[f] for f in part["faults"]}
    for reason in part["expected"]["reasons"]:
        kinds |= {kind for word, kind in FROM_REASONS if word in reason}
    return kinds


def found_faults(photo: Any, truth: dict[str, Any], index: int) -> Any:
    """The pattern of one part with all its faults; None where it could not be measured."""
    from knurlsight.faults.figure_faults import with_figure_faults
    from knurlsight.measuring.measure import measure_part
    from knurlsight.setup_math.expected import expectation
    from knurlsight.setup_math.limits import limits
    from knurlsight.verdict import judge
    from true_outline import true_outline, true_scale, true_setup

    outline, scale, setup = true_outline(truth, index), true_scale(truth, index), true_setup(truth, index)
    basis = expectation(setup)
    pattern = measure_part(photo, outline, scale, basis.pattern)
    if not pattern.families:
        return None
    return with_figure_faults(pattern, judge(pattern, basis.pattern, limits(setup, basis.pattern)))


def overlap(name: str, faults: list[Any], truth: dict[str, Any], index: int) -> float:
    """How well the found faults of a kind lie on a true one; NaN where that cannot be said."""
    part = truth["parts"][index]
    if name == "run_in":
        return _along(faults, part, _swapped(part))
    places = [p for p in part.get("fault_positions", ()) if p["kind"] in (name, name.removeprefix("non_closing_"))]
    if name in ("torn", "dents"):
        width, height = truth["image_size_upright"]
        true = np.zeros((height, width), np.uint8)
        for item in part["fault_params"][name] if places else ():
            cv2.fillPoly(true, [np.round(_ellipse(truth, index, item)).astype(np.int32)], 1)
        mine = np.zeros_like(true)
        for fault in faults:
            cv2.fillPoly(mine, [np.round(fault.where_px).astype(np.int32)], 1)
        joined = int((true | mine).sum())
        return float((true & mine).sum() / joined) if joined else math.nan
    if not places:
        return math.nan
    near = 1.5 * part["families"][0]["normal_pitch_mm"] / part["mm_per_px_axial"]

    def hit(place: dict[str, Any]) -> bool:
        point = tuple(map(float, place["px"]))
        return any(
            len(f.where_px) >= 3 and cv2.pointPolygonTest(f.where_px.astype(np.float32), point, True) > -near
            for f in faults
        )

    hits = [hit(p) for p in places]
    return float(np.mean(hits)) if name == "chips" else float(any(hits))


def true_spacing(name: str, part: dict[str, Any]) -> float | None:
    """At what distance a fault repeats, mm; None where it does not."""
    params = part.get("fault_params", {}).get(name)
    if name == "feed_rings":
        return float(params["feed_mm"])
    if name == "chatter":
        return math.pi * float(part["od_mm"]) / float(params["waves"])
    if name == "chip_tooth":
        family = part["families"][params["family"]]
        return float(params["every"]) * float(family["transverse_pitch_mm"])
    return None


def _swapped(part: dict[str, Any]) -> bool:
    """Whether end B is end 1: the left one, or the upper one of an upright part."""
    a, b = np.array(part["end_A_px"]), np.array(part["end_B_px"])
    upright = abs(b[1] - a[1]) > abs(b[0] - a[0])
    return bool((b - a)[1 if upright else 0] < 0)


def _along(faults: list[Any], part: dict[str, Any], swapped: bool) -> float:
    start, end = part["knurl_range_mm_from_end_A"]
    runs = part["run_in_mm"][::-1] if swapped else part["run_in_mm"]
    side = int(runs[1] > runs[0])
    length = end - start
    low, high = (0.0, runs[0]) if side == 0 else (length - runs[1], length)
    best = 0.0
    for fault in faults:
        if fault.from_mm is None or fault.to_mm is None:
            continue
        shared = min(high, fault.to_mm) - max(low, fault.from_mm)
        best = max(best, shared / (max(high, fault.to_mm) - min(low, fault.from_mm)))
    return best


def _ellipse(truth: dict[str, Any], index: int, item: dict[str, float]) -> Any:
    """Outline (n, 2) px of a torn patch or a dent."""
    part, camera = truth["parts"][index], truth["camera"]
    turn = np.linspace(0, 2 * np.pi, 60)
    radius = part["od_mm"] / 2
    rz, rarc = item.get("rz", item.get("r", 0.0)), item.get("rarc", item.get("r", 0.0))
    z, theta = item["z"] + rz * np.cos(turn), item["theta"] + rarc / radius * np.sin(turn)
    local = np.stack([radius * np.cos(theta), radius * np.sin(theta), z, np.ones_like(z)])
    world = (np.array(part["part_to_world"]) @ local)[:3]
    seen = np.array(camera["world_to_camera_R"]) @ world + np.array(camera["world_to_camera_t_mm"])[:, None]
    lens = [camera["distortion"]["k1"], camera["distortion"]["k2"], 0.0, 0.0]
    px, _ = cv2.projectPoints(seen.T.copy(), np.zeros(3), np.zeros(3), np.array(camera["K"]), np.array(lens))
    return px[:, 0]


def rendered(folder: Path, only: list[str]) -> Iterator[tuple[str, Any, dict[str, Any]]]:
    """Name, photo and truth of the path-traced photos that are not to be refused."""
    from photoscale.photo import load_photo

    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        if not truth.get("parts") or (only and not any(path.stem.startswith(o) for o in only)):
            continue
        if truth["expected"]["verdict"] == "refuse" and truth["scale"]["kind"] != "none":
            continue
        yield path.stem, load_photo(path.with_suffix(".jpg")), truth


def synthetic(kinds: Sequence[str | None], seed: int) -> Iterator[tuple[str, Any, dict[str, Any]]]:
    """Photos of the synthesiser with one kind of fault each; None is a good part."""
    from photoscale.photo import Photo
    from random_scenes import random_knurl, random_scene
    from synthesiser import render

    forms = {"leaning": "RGE", "unequal": "RGE", "drift": "RGE"}
    for i, kind in enumerate(kinds):
        rng = np.random.default_rng([seed, i])
        form = forms.get(kind or "") or str(rng.choice(["RGE", "RGE", "RBL", "RBR", "RGV", "RAA"]))
        scene = replace(random_scene(rng, random_knurl(rng, form), kind), orientation=1)
        image, truth = render(scene, seed=i)
        grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
        height, width = grey.shape
        photo = Photo(name="made.png", grey=grey, sha256="0" * 64, width_px=width, height_px=height)
        yield f"{kind or 'good'} {i} {form}", photo, truth


def score(
    photos: Iterator[tuple[str, Any, dict[str, Any]]], *, show: bool = False
) -> tuple[dict[str, Tally], list[int]]:
    """Tally per kind of truth, and the number of false faults of every good part."""
    tallies: dict[str, Tally] = defaultdict(Tally)
    good: list[int] = []
    for stem, photo, truth in photos:
        for index, part in enumerate(truth["parts"]):
            pattern = found_faults(photo, truth, index)
            name = f"{stem} {part['name']}"
            there = wanted_kinds(part)
            if pattern is None:
                if show:
                    print(f"{name}: could not be measured")
                continue
            found = [f.kind for f in pattern.faults]
            kin = set().union(*(KIN.get(k, set()) for k in there), there)
            false = [k for k in found if k not in kin]
            for kind in false:
                tallies[kind].false += 1
            if not there:
                good.append(len(false))
            names = {f: KINDS[f] for f in part["faults"]} | {k: k for k in there if k not in KINDS.values()}
            for fault, kind in names.items():
                if fault in ("non_closing_seam", "chip_tooth", "dislocation") and not part.get("fault_positions"):
                    continue  # on the other side
                tally = tallies[fault]
                tally.there += 1
                hits = [f for f in pattern.faults if f.kind == kind]
                tally.found += bool(hits)
                if not hits:
                    tally.missed.append(name)
                elif fault in PLACED:
                    tally.overlaps.append(overlap(fault, hits, truth, index))
                if (wanted := true_spacing(fault, part)) and hits and hits[0].spacing is not None:
                    tally.spacings.append((hits[0].spacing.value / wanted - 1) * 100)
            if show:
                words = ", ".join(found) or "none"
                mark = f"   FALSE {false}" if false else ""
                missed = {k for k in there if k not in found and k not in WHOLE_PART}
                mark += f"   MISSED {missed}" if missed else ""
                print(f"{name}: there {', '.join(sorted(there)) or 'none'}; found {words}{mark}", flush=True)
    return dict(tallies), good


def table(tallies: dict[str, Tally], good: list[int]) -> str:
    """Found, missed, false and overlap by kind."""
    rows = [f"{'fault':20}{'there':>6}{'found':>6}{'missed':>7}{'false':>6}  overlap: median, >= 0.5"]
    for kind, t in sorted(tallies.items()):
        laps = [o for o in t.overlaps if not math.isnan(o)]
        where = f"  {np.median(laps):.2f}, {sum(o >= 0.5 for o in laps)} of {len(laps)}" if laps else ""
        if t.spacings:
            where += f"  spacing off by {', '.join(f'{s:+.1f}' for s in t.spacings)} %"
        note = "  (one photo cannot tell)" if kind in WHOLE_PART else ""
        rows.append(f"{kind:20}{t.there:6}{t.found:6}{t.there - t.found:7}{t.false:6}{where}{note}")
    rows.append(f"{sum(g > 0 for g in good)} of {len(good)} good parts with a false fault, {sum(good)} in all")
    return "\n".join(rows)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rendered", type=Path, default=SHARED)
    parser.add_argument("--only", nargs="*", default=[], help="beginnings of names, or kinds of synthetic faults")
    parser.add_argument("--synthetic", type=int, default=0, metavar="PER_KIND", help="instead: so many photos per kind")
    parser.add_argument("--good", type=int, default=20, help="good synthetic parts")
    parser.add_argument("--seed", type=int, default=5)
    args = parser.parse_args()
    if args.synthetic or not args.rendered.is_dir():
        if not args.synthetic:
            print(f"{args.rendered} is not there: synthetic photos instead")
        from random_scenes import FAULTS

        kinds = args.only or FAULTS
        photos = synthetic([*(k for k in kinds for _ in range(max(1, args.synthetic))), *[None] * args.good], args.seed)
    else:
        photos = rendered(args.rendered, args.only)
    print(table(*score(photos, show=True)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
