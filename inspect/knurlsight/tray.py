"""Many parts in one photo: every one measured at its own height, named by its place in the tray."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Executor
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.photo import Photo
from photoscale.reading import Reading

from knurlsight import trace
from knurlsight.expected import Expectation, expectation
from knurlsight.inspection import (
    Inspection,
    PartInspection,
    ScaleRequest,
    assemble,
    camera_of,
    judge_part,
    marks_px,
    measure_outline,
    nothing_found,
    read_scale,
)
from knurlsight.model import Outline
from knurlsight.outline import find_parts
from knurlsight.setup_model import Setup

Array = NDArray[np.float64]
#: A gap across the rows larger than this share of the usual spacing starts a new row.
ROW_GAP = 0.5
#: Two things in one place: the worse one is not there.
MOST_OVERLAP = 0.15


def inspect_tray(
    photo: Photo, setup: Setup | None = None, scale: ScaleRequest | None = None, executor: Executor | None = None
) -> Inspection:
    """Inspect every knurled part in one photo.

    Parameters
    ----------
    photo : Photo
    setup : Setup, optional
        Of all parts.
    scale : ScaleRequest, optional
        One scale serves all parts; each gets its own correction for height and distance.
    executor : Executor, optional
        Measures parts side by side; without one they are measured in turn.
    """
    request = scale or ScaleRequest()
    basis = expectation(setup) if setup is not None else None
    camera = camera_of(photo, request)
    found = find_parts(photo, camera)
    reading, no_scale = read_scale(photo, request, found)
    drawn_px = marks_px(reading) if reading is not None and request.photo is None else np.empty((0, 2))
    outlines = standing_apart(found, drawn_px)
    if not outlines:
        return nothing_found([photo], setup, basis, photo.notes, drawn_px)
    names = places([trace.zone_corners(o).mean(axis=0) for o in outlines])

    named = sorted(zip(names, outlines, strict=True), key=lambda pair: _place_key(pair[0]))
    inspect_one = partial(
        _inspect_one,
        photo=photo,
        camera=camera,
        reading=reading,
        no_scale=no_scale,
        request=request,
        setup=setup,
        basis=basis,
    )
    parts = list(executor.map(inspect_one, named) if executor is not None else map(inspect_one, named))
    return assemble([photo], parts, setup, basis, photo.notes, drawn_px)


def _inspect_one(
    named: tuple[str, Outline],
    photo: Photo,
    camera: Camera,
    reading: Reading | None,
    no_scale: str,
    request: ScaleRequest,
    setup: Setup | None,
    basis: Expectation | None,
) -> PartInspection:
    """One part of the tray, measured and judged; runs in a worker."""
    part_id, outline = named
    pattern, part_scale, no_lengths = measure_outline(photo, outline, camera, reading, no_scale, request, basis)
    return judge_part(part_id, pattern, part_scale, no_lengths, setup, basis)


def standing_apart(outlines: Sequence[Outline], scale_px: Array) -> list[Outline]:
    """Parts that can lie side by side: none over a better one, none over the scale.

    Parameters
    ----------
    outlines : sequence of Outline
        Best first.
    scale_px : (n, 2) array
        Marks of the scale found.
    """
    kept: list[Outline] = []
    zones: list[NDArray[np.float32]] = []
    for outline in outlines:
        zone = trace.zone_corners(outline).astype(np.float32)
        covered = [cv2.pointPolygonTest(zone, (float(x), float(y)), False) >= 0 for x, y in scale_px]
        if covered and np.mean(covered) > MOST_OVERLAP:
            continue
        if any(_overlap(zone, other) > MOST_OVERLAP for other in zones):
            continue
        kept.append(outline)
        zones.append(zone)
    return kept


def _overlap(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Area common to two zones over that of the smaller."""
    common, _ = cv2.intersectConvexConvex(a, b)
    smaller = min(cv2.contourArea(a), cv2.contourArea(b))
    return float(common / smaller) if smaller > 0 else 1.0


def places(centres: Sequence[Array]) -> list[str]:
    """Names by place: rows A, B, C … from the top, parts 1, 2, 3 … from the left along each row.

    The rows are those of the tray, not of the photo: their direction is the one, within 45° of level, along which
    neighbours stand. So a tray photographed a little askew keeps its names.

    >>> places([np.array([0.0, 0.0]), np.array([10.0, 2.0]), np.array([-2.0, 10.0]), np.array([8.0, 12.0])])
    ['A1', 'A2', 'B1', 'B2']
    """
    points = np.asarray(centres, np.float64).reshape(-1, 2)
    if len(points) < 2:
        return ["A1"] * len(points)
    apart = points[None, :, :] - points[:, None, :]
    distance = np.hypot(apart[..., 0], apart[..., 1])
    np.fill_diagonal(distance, np.inf)
    nearest = distance.argmin(axis=1)
    spacing = float(np.median(distance.min(axis=1)))
    to_nearest = apart[np.arange(len(points)), nearest]
    # rows and columns are square to each other: four times the angle makes them one direction
    fourfold = 4 * np.arctan2(to_nearest[:, 1], to_nearest[:, 0])
    turn = math.atan2(float(np.sin(fourfold).mean()), float(np.cos(fourfold).mean())) / 4
    along, across = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    order = np.argsort(points @ across, kind="stable")
    rows: list[list[int]] = []
    last = -math.inf
    for i in order:
        here = float(points[i] @ across)
        if here - last > ROW_GAP * spacing:
            rows.append([])
        rows[-1].append(int(i))
        last = here
    names = [""] * len(points)
    for number, row in enumerate(rows):
        for place, i in enumerate(sorted(row, key=lambda i: float(points[i] @ along)), 1):
            names[i] = f"{_letters(number)}{place}"
    return names


def _letters(number: int) -> str:
    """A to Z, then AA, AB …"""
    text = ""
    while number >= 0:
        text = chr(65 + number % 26) + text
        number = number // 26 - 1
    return text


def _place_key(name: str) -> tuple[int, str, int]:
    letters = name.rstrip("0123456789")
    return len(letters), letters, int(name[len(letters) :])
