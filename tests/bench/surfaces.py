"""Bias, coverage and double tracking over many synthetic surfaces, with camera and outline from the truth.

    python tests/bench/surfaces.py [--count 1000] [--seed 1] [--jobs 2] [--rows FILE.jsonl]

Form, pitch, helix, fill, size, light, metal, blur, noise and JPEG are drawn at random (`random_scenes.py`); one
surface in four has a second track in one or both families. Only the knurled zone is drawn, so what stands here is what
the measuring step does, without edges and scale.

For every figure: its bias in its own standard uncertainties, how often its k = 2 interval holds the truth, median and
95th percentile of the error, and the median interval. For double tracking: how often families are called doubled. At
the end the verdicts by the limits of their truth, those of one view: of those without a second track, none should fail.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from knurlsight.inner_threads import hold_to_one

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "fixtures"))

DOUBLED = 0.25  # share of surfaces with a second track
Row = dict[str, Any]


def made(seed: int, i: int) -> tuple[Any, dict[str, Any]]:
    """Surface i of a seed: (photo, truth)."""
    from photoscale.photo import Photo
    from random_scenes import random_knurl, random_scene, zone_only
    from synthesiser import render

    rng = np.random.default_rng([seed, i])
    doubled = rng.random() < DOUBLED
    scene = zone_only(random_scene(rng, random_knurl(rng), "double_track" if doubled else None), (800, 600))
    grey, truth = render(replace(scene, orientation=1), seed=i)
    height, width = grey.shape
    return Photo(name="made.png", grey=grey, sha256="0" * 64, width_px=width, height_px=height), truth


def measured(seed: int, i: int) -> Row:
    """What the tool says of a surface beside what is so."""
    from knurlsight.measuring.measure import measure_part
    from knurlsight.setup_math.expected import expectation
    from knurlsight.setup_math.limits import limits
    from knurlsight.verdict import judge, worst
    from true_outline import true_outline, true_scale, true_setup

    photo, truth = made(seed, i)
    part = truth["parts"][0]
    outline, scale, setup = true_outline(truth), true_scale(truth), true_setup(truth)
    basis = expectation(setup)
    pattern = measure_part(photo, outline, scale, basis.pattern)
    row: Row = {"i": i, "form": part["form"], "form_read": pattern.form, "figures": [], "tracks": []}
    row["true_ghost"] = max(f["double_track"].get("relative_depth", 0.0) for f in part["families"])
    checks = judge(pattern, basis.pattern, limits(setup, basis.pattern)) if pattern.families else ()
    row["verdict"] = worst(c.verdict for c in checks)
    row["failed"] = [c.name for c in checks if c.verdict == "fail"]
    row["px_per_pitch"] = part["families"][0]["normal_pitch_mm"] / part["mm_per_px_axial"]
    if not pattern.families:
        row["reason"] = "; ".join(pattern.cannot)
        return row
    row["faults"] = [f.kind for f in pattern.faults]
    if pattern.form != part["form"]:
        return row
    real = {f["hand"]: f for f in part["families"]}
    # a second track takes tips off, and what is left is shallower than what was cut
    whole = not any(f["double_track"]["present"] for f in part["families"])
    for family in pattern.families:
        true = real[family.hand]
        for name, value in _true_figures(part, true).items():
            got = getattr(family, name)
            if value is not None and got is not None:
                row["figures"].append([name, family.hand, value, got.value, got.u])
        if family.fill is not None and whole:
            row["figures"].append(["fill", family.hand, true["depth_fraction"], family.fill.value, family.fill.u])
        if family.hand != "ring":
            ghost = family.double_track.ghost_ratio
            true_ghost = true["double_track"].get("relative_depth", 0.0)
            row["tracks"].append([true_ghost, family.double_track.present, ghost.value if ghost else None])
    if pattern.included_angle is not None:
        angle = sum(_true_figures(part, f)["helix_angle"] or 0.0 for f in part["families"])
        row["figures"].append(["included_angle", "", angle, pattern.included_angle.value, pattern.included_angle.u])
    if pattern.balance is not None and whole:
        fills = [f["depth_fraction"] * f["normal_pitch_mm"] for f in part["families"]]
        row["figures"].append(["balance", "", min(fills) / max(fills), pattern.balance.value, pattern.balance.u])
    return row


def _true_figures(part: dict[str, Any], family: dict[str, Any]) -> dict[str, float | None]:
    """Figures of a family at the crest that is really there."""
    if family["hand"] == "ring":
        return {"axial_pitch": family["normal_pitch_mm"], "normal_pitch": family["normal_pitch_mm"]}
    k = (part.get("crest_envelope_od_mm") or part["od_mm"]) / part["od_mm"]
    around, along = family["transverse_pitch_mm"] * k, family["axial_pitch_mm"]
    helix = math.atan2(around, along) if along else 0.0
    return {
        "teeth": math.pi * part["od_mm"] * k / around,
        "axial_pitch": along or None,
        "transverse_pitch": around,
        "normal_pitch": around * math.cos(helix),
        "helix_angle": math.degrees(helix) if along else None,
    }


def all_rows(seed: int, count: int, jobs: int) -> Iterator[Row]:
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield from pool.map(measured, [seed] * count, range(count), chunksize=4)


def figures_table(rows: list[Row]) -> str:
    """A line a figure and kind of form: how far off, in per cent (angles: degrees; ratios: as they are)."""
    groups: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    for row in rows:
        kind = {"RAA": "straight", "RKE": "square", "RKV": "square"}.get(row["form"], "diamond")
        kind = "diagonal" if row["form"] in ("RBL", "RBR") else kind
        for name, _, true, got, u in row["figures"]:
            relative = name in ("teeth", "axial_pitch", "transverse_pitch", "normal_pitch")
            size = true / 100 if relative else 1.0
            groups[name, kind].append(((got - true) / size, u / size))
    lines = [f"{'figure':18}{'form':10}{'n':>6}{'bias/u':>9}{'bias':>9}{'median':>9}{'p95':>8}{'2u':>8}{'cover':>8}"]
    for (name, kind), values in sorted(groups.items()):
        error, u = np.array(values).T
        z = error / u
        lines.append(
            f"{name:18}{kind:10}{len(error):6}{np.median(z):+9.2f}{np.median(error):+9.3f}"
            f"{np.median(np.abs(error)):9.3f}{np.quantile(np.abs(error), 0.95):8.3f}{2 * np.median(u):8.3f}"
            f"{np.mean(np.abs(z) <= 2):8.3f}"
        )
    return "\n".join(lines)


def tracks_table(rows: list[Row]) -> str:
    """How families with and without a second track were called."""
    tracks = [t for row in rows for t in row["tracks"]]
    lines = [f"{'true ghost':14}{'n':>6}{'doubled':>9}{'clear':>8}{'cannot tell':>13}{'ghost error, median, p95':>28}"]
    for low, high in ((0.0, 0.0), (0.15, 0.3), (0.3, 0.5), (0.5, 0.75), (0.75, 1.0)):
        some = [t for t in tracks if (t[0] == 0.0 if high == 0.0 else low <= t[0] < high)]
        if not some:
            continue
        said = [sum(t[1] is what for t in some) for what in (True, False, None)]
        off = [abs(t[2] - t[0]) for t in some if t[1] and t[2] is not None]
        words = f"{np.median(off):.2f}, {np.quantile(off, 0.95):.2f}" if off and high else ""
        name = "none" if high == 0.0 else f"{low} to {high}"
        lines.append(f"{name:14}{len(some):6}{said[0]:9}{said[1]:8}{said[2]:13}{words:>28}")
    return "\n".join(lines)


def verdicts_table(rows: list[Row]) -> str:
    """Verdicts of parts without and with a second track; what failed of the former, one line each."""
    lines = []
    for words, some in (
        ("no second track", [r for r in rows if r["true_ghost"] == 0.0]),
        ("one of 0.4 and deeper", [r for r in rows if r["true_ghost"] >= 0.4]),
    ):
        said = Counter(r["verdict"] for r in some)
        lines.append(
            f"{words:24}{len(some):6}  " + ", ".join(f"{said[v]} {v}" for v in ("pass", "fail", "cannot_tell"))
        )
    good = [r for r in rows if r["true_ghost"] == 0.0]
    lines.append(f"with a fault that is not there: {sum(bool(r.get('faults')) for r in good)} of {len(good)}")
    lines += [f"  {r['i']} {r['form']}: {', '.join(r['failed'])}" for r in good if r["failed"]]
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rows", type=Path, help="keep every surface's figures, one line of JSON each")
    args = parser.parse_args()
    hold_to_one()
    began, rows = time.perf_counter(), []
    for row in all_rows(args.seed, args.count, args.jobs):
        rows.append(row)
        if len(rows) % 50 == 0:
            print(f"{len(rows)} surfaces, {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
    if args.rows:
        args.rows.write_text("".join(json.dumps(row) + "\n" for row in rows))
    unread = [row for row in rows if "reason" in row]
    wrong = [row for row in rows if "reason" not in row and row["form_read"] != row["form"]]
    print(f"{len(rows)} surfaces, {len(unread)} not measured, {len(wrong)} of another form")
    print(figures_table(rows))
    print(tracks_table(rows))
    print(verdicts_table(rows))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
