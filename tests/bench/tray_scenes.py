"""Synthetic trays that are hard to take apart: any angle, touching neighbours, parts across, gaps, foreign objects.

`tray_scene(kind, seed)` gives a scene and the place of each part; foreign objects are parts whose name says so.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fixtures"))

from bench_scene import METALS, CameraPose, Card, Part, Scene, Segment, Sensor, Setup
from knurl_height import FamilyShape, Form, Knurl
from random_scenes import BENCHES, form_families, random_light, with_fault

KINDS = ("rows", "angles", "touching", "end_to_end", "across", "gaps")
FORMS: tuple[Form, ...] = ("RAA", "RBR", "RGE", "RGE", "RGV", "RKE")
ROWS, COLUMNS = 3, 3
PX_PER_MM = 15.0
FOREIGN = "foreign"


def tray_scene(kind: str, seed: int) -> Scene:
    """Nine places, parts of one setup named as their places, over a scale card; two or three of them bad."""
    rng = np.random.default_rng([KINDS.index(kind), seed])
    form = FORMS[int(rng.integers(len(FORMS)))]
    pitch = float(rng.choice([0.8, 1.0, 1.2]))
    od = round(float(rng.uniform(11, 18)), 1)
    length = round(float(rng.uniform(0.7, 1.3)) * od, 1)
    tails = [float(rng.choice([0.0, 4.0, 7.0])) for _ in range(2)]
    whole = tails[0] + length + tails[1]
    spigots = [od / 2 * float(rng.choice([0.97, 0.9, 0.6])) for _ in range(2)]
    good = Knurl(form, od, tails[0], tails[0] + length, form_families(form, od, pitch, 30.0, 0.85))
    setup = Setup(form, pitch, 30.0 if form in ("RBR", "RGE", "RGV") else 0.0, od)
    metal = str(rng.choice(sorted(METALS)))
    apart = 1.25 * math.hypot(whole, od) if kind in ("angles", "across") else 0.0
    step_x = apart or whole + (0.3 if kind == "end_to_end" else float(rng.uniform(8, 16)))
    step_y = apart or od + (0.3 if kind == "touching" else float(rng.uniform(6, 14)))
    gaps = set(rng.choice(9, 3, replace=False).tolist()) if kind == "gaps" else set()
    bad = set(rng.choice(9, int(rng.integers(2, 4)), replace=False).tolist())
    parts: list[Part] = []
    bolts: list[Part] = []
    for i in range(ROWS * COLUMNS):
        row, column = divmod(i, COLUMNS)
        at = ((column - 1) * step_x, 46.0 + (2 - row) * step_y)
        if i in gaps:
            if len(bolts) < 2:
                bolts.append(_bolt(rng, at, od))
            continue
        one = replace(good, phase_reference_z_mm=float(rng.uniform(0, length)), detail_seed=int(rng.integers(2**31)))
        if i in bad:
            one = with_fault(one, str(rng.choice(["double_track", "wrong_pitch", "shallow"])), rng, 0.0)
        segments = []
        if tails[0]:
            segments.append(Segment(0.0, tails[0], spigots[0]))
        if tails[1]:
            segments.append(Segment(whole - tails[1], whole, spigots[1]))
        turn = _turn(kind, rng)
        shaken = 0.0 if kind in ("touching", "end_to_end") else 1.5
        middle = (at[0] + float(rng.uniform(-shaken, shaken)), at[1] + float(rng.uniform(-shaken, shaken)))
        roll = float(rng.uniform(0, 360))
        name = f"{'ABC'[row]}{column + 1}"
        parts.append(Part(one, whole, tuple(segments), metal, middle, turn, 0.0, roll, name, setup))
    wide = max(COLUMNS * step_x + 14, 100.0)
    top, bottom = 46.0 + 2 * step_y + step_y / 2 + 8, -32.0
    middle_y = (top + bottom) / 2
    size = (round(PX_PER_MM * wide / 2) * 2, round(PX_PER_MM * (top - bottom) / 2) * 2)
    distance = float(rng.uniform(260, 400))
    focal = PX_PER_MM * (distance - od)
    camera = CameraPose(
        size,
        focal,
        distance,
        float(rng.uniform(0, 8)),
        float(rng.uniform(-180, 180)),
        float(rng.uniform(-5, 5)),
        aim_mm=(0.0, middle_y, 0.0),
        focal_35mm=round(focal / size[0] * 36),
    )
    background = (("mat", "paper", "wood", "cloth"))[int(rng.integers(4))]
    level, tint = BENCHES[background]  # type: ignore[index]
    card = Card((-40.0, 30.0 - od / 2), float(rng.uniform(-3, 3)))
    sensor = Sensor(blur_px=float(rng.uniform(0.5, 1.0)), noise=float(rng.uniform(0.006, 0.02)))
    return Scene(
        (*parts, *bolts),
        camera,
        random_light(rng),
        card,
        background,  # type: ignore[arg-type]
        level,
        tint,
        sensor,
        colour=False,
        bench_seed=seed,
        stem=f"{kind}_{seed}",
    )


def _turn(kind: str, rng: np.random.Generator) -> float:
    if kind in ("touching", "end_to_end"):
        return float(rng.choice([0.0, 180.0]))
    if kind == "angles":
        return float(rng.uniform(0, 360))
    small = float(rng.uniform(-10, 10))
    return small + (90.0 if kind == "across" and rng.random() < 0.4 else 0.0)


def _bolt(rng: np.random.Generator, at: tuple[float, float], od: float) -> Part:
    """A screw with a plain head: rings about as far apart as knurls are."""
    thread = FamilyShape("ring", pitch_mm=float(rng.choice([0.7, 1.0, 1.25])), fill=0.9, profile_angle_deg=60.0)
    shank = round(float(rng.uniform(0.4, 0.8)) * od, 1)
    knurl = Knurl("RAA", shank, 5.0, 5.0 + 1.6 * shank, (thread,))
    head = Segment(0.0, 5.0, 0.85 * shank)
    turn = float(rng.uniform(0, 360))
    return Part(knurl, knurl.end_mm, (head,), "steel", at, turn, name=f"{FOREIGN}, a screw")


def with_washer(image: np.ndarray, seed: int) -> np.ndarray:
    """A washer laid where the photo's lower right corner is free: bright rings."""
    rng = np.random.default_rng(seed)
    out = image.copy()
    h, w = out.shape[:2]
    outer = int(7 * PX_PER_MM)
    centre = (w - outer - 12, h - outer - 12)
    for radius in range(outer, outer // 2, -2):
        cv2.circle(out, centre, radius, int(rng.integers(110, 200)), 2, cv2.LINE_AA)
    return out
