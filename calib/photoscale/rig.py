"""A fixed camera over a fixed bench, measured once from photos of the card and kept in one readable file.

The first photo shows the card flat on the bench, the camera as it will stay; the others show it tilted and moved about
the frame, which is what tells focal length, centre and distortion apart (Zhang's method, as OpenCV has it).
"""

from __future__ import annotations

import json
import math
import os
import re
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from photoscale.camera import Camera
from photoscale.card import CardReading
from photoscale.errors import RigError
from photoscale.reading import RigReading

Array = NDArray[np.float64]

FORMAT = 1
MIN_PHOTOS = 4
MIN_COVERAGE = 0.35
MIN_TILTS_DEG = 15.0  # between the two most different views: flat views tell no focal length
MOVED_MM, MOVED_DEG = 0.5, 0.3


@dataclass(frozen=True)
class Rig:
    """A camera and the bench below it.

    Attributes
    ----------
    name : str
    width_px, height_px : int
        Of every photo by this rig.
    camera : Camera
        `u_focal_rel` from the calibration.
    u_centre_px : float
        Standard uncertainty of the principal point.
    u_distortion : (float, float, float, float)
        Of k1, k2, p1, p2.
    bench : CardReading
        The card flat on the bench.
    rms_px : float
        Of all corners about the solution.
    left_out_px : tuple of float
        For each photo, RMS of its corners about a camera solved without it.
    coverage : float
        Share of the frame inside the hull of all corners.
    notes : tuple of str
    """

    name: str
    width_px: int
    height_px: int
    camera: Camera
    u_centre_px: float
    u_distortion: tuple[float, float, float, float]
    bench: CardReading
    rms_px: float
    left_out_px: tuple[float, ...]
    coverage: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class RigCheck:
    """Whether the stand has moved or the focus has changed since a rig was made."""

    holds: bool
    distance_change_mm: float
    tilt_change_deg: float
    residual_px: float
    words: str


def solve_rig(name: str, size_px: tuple[int, int], cards: Sequence[CardReading]) -> Rig:
    """Camera and bench from several views of the card, the first flat on the bench.

    Parameters
    ----------
    name : str
    size_px : (width, height)
    cards : sequence of CardReading

    Raises
    ------
    RigError
        Too few or too similar views.
    """
    _check_name(name)
    if len(cards) < MIN_PHOTOS:
        raise RigError(
            f"{len(cards)} photos of the card, {MIN_PHOTOS} are needed", "tilt and move the card between photos"
        )
    result = _calibrate(size_px, cards)
    if result is None:
        raise RigError("the photos of the card give no camera", "tilt the card by 20 to 40° in several directions")
    camera, u, rms = result
    if u[0] > 0.03 * camera.focal_px:
        raise RigError(
            f"the focal length stays unsure by {100 * u[0] / camera.focal_px:.0f} %",
            "tilt the card by 20 to 40° in several directions",
        )
    normals = np.array([_pose(camera, c)[0][:, 2] for c in cards])
    spread = math.degrees(math.acos(float(np.clip((normals @ normals.T).min(), -1, 1))))
    if spread < MIN_TILTS_DEG:
        raise RigError(
            f"the card lies nearly the same way in all photos (within {spread:.0f}°)",
            "tilt the card by 20 to 40° in several directions",
        )
    left_out = []
    for k, card in enumerate(cards):
        rest = [c for i, c in enumerate(cards) if i != k]
        without = _calibrate(size_px, rest) if len(rest) >= 3 else None
        left_out.append(math.nan if without is None else _reprojection(without[0], card))
    hull = cv2.convexHull(np.vstack([c.points_px for c in cards]).astype(np.float32))
    coverage = float(cv2.contourArea(hull)) / (size_px[0] * size_px[1])
    notes = []
    if coverage < MIN_COVERAGE:
        notes.append(f"the corners span only {100 * coverage:.0f} % of the frame: the lens is not known outside")
    worst = int(np.nanargmax(left_out))
    if left_out[worst] > 3 * max(rms, 0.1):
        notes.append(f"photo {worst + 1} fits badly ({left_out[worst]:.2f} px): blurred, or the card not flat")
    return Rig(
        name=name,
        width_px=size_px[0],
        height_px=size_px[1],
        camera=camera,
        u_centre_px=float(max(u[1], u[2])),
        u_distortion=(float(u[3]), float(u[4]), float(u[5]), float(u[6])),
        bench=cards[0],
        rms_px=rms,
        left_out_px=tuple(left_out),
        coverage=coverage,
        notes=tuple(notes),
    )


def _calibrate(size_px: tuple[int, int], cards: Sequence[CardReading]) -> tuple[Camera, Array, float] | None:
    """Camera, standard uncertainties of f, cx, cy, k1, k2, p1, p2, and RMS of the corners."""
    world = [np.column_stack([c.points_mm, np.zeros(len(c.points_mm))]).astype(np.float32) for c in cards]
    seen = [c.points_px.astype(np.float32).reshape(-1, 1, 2) for c in cards]
    start = np.array([[max(size_px), 0, (size_px[0] - 1) / 2], [0, max(size_px), (size_px[1] - 1) / 2], [0, 0, 1.0]])
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3 | cv2.CALIB_USE_INTRINSIC_GUESS
    try:
        rms, k, lens, _, _, spread, _, _ = cv2.calibrateCameraExtended(
            world, seen, size_px, start, np.zeros(5), flags=flags
        )
    except cv2.error:
        return None
    k, lens, spread = np.asarray(k), np.asarray(lens).ravel(), np.asarray(spread).ravel()
    if not (np.isfinite(k).all() and np.isfinite(spread).all() and k[0, 0] > 0):
        return None
    # OpenCV's order: fx, fy, cx, cy, k1, k2, p1, p2; with the ratio fixed fy carries the uncertainty
    u = np.array([max(spread[0], spread[1]), *spread[2:8]], float)
    camera = Camera(
        float(k[0, 0]),
        (float(k[0, 2]), float(k[1, 2])),
        (float(lens[0]), float(lens[1]), float(lens[2]), float(lens[3])),
        float(u[0] / k[0, 0]),
    )
    return camera, u, float(rms) / math.sqrt(2)


def _pose(camera: Camera, card: CardReading) -> tuple[Array, Array]:
    """Rotation (3, 3) and shift (3,) of the card in camera axes."""
    world = np.column_stack([card.points_mm, np.zeros(len(card.points_mm))])
    k = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]])
    found, turn, shift = cv2.solvePnP(world, card.points_px, k, np.array(camera.distortion), flags=cv2.SOLVEPNP_IPPE)
    if not found:
        raise RigError("the card's pose cannot be told", "show more of the card")
    found, turn, shift = cv2.solvePnP(
        world, card.points_px, k, np.array(camera.distortion), turn, shift, True, cv2.SOLVEPNP_ITERATIVE
    )
    return np.asarray(cv2.Rodrigues(turn)[0], float), np.asarray(shift, float).ravel()


def _reprojection(camera: Camera, card: CardReading) -> float:
    """RMS per coordinate of a card's corners about its best pose."""
    rotation, shift = _pose(camera, card)
    world = np.column_stack([card.points_mm, np.zeros(len(card.points_mm))]) @ rotation.T + shift
    return float(np.sqrt(np.mean((camera.project(world) - card.points_px) ** 2)))


def check_rig(rig: Rig, size_px: tuple[int, int], card: CardReading) -> RigCheck:
    """Compare the card, flat on the bench again (anywhere on it), with what the rig remembers.

    Raises
    ------
    RigError
        The photo has another size, so another camera, zoom or crop.
    """
    _check_size(rig, size_px)
    rotation, shift = _pose(rig.camera, rig.bench)
    now_rotation, now_shift = _pose(rig.camera, card)
    normal, now_normal = rotation[:, 2], now_rotation[:, 2]
    distance = float(now_normal @ now_shift - normal @ shift)
    tilt = math.degrees(math.acos(float(np.clip(normal @ now_normal, -1, 1))))
    residual = _reprojection(rig.camera, card)
    faults = []
    if abs(distance) > MOVED_MM:
        faults.append(f"the bench is {abs(distance):.1f} mm {'farther' if distance > 0 else 'nearer'}")
    if tilt > MOVED_DEG:
        faults.append(f"the camera is tilted by {tilt:.1f}°")
    if residual > max(0.3, 3 * rig.rms_px):
        faults.append(f"the corners fit badly ({residual:.2f} px): focus or zoom has changed, or the card is not flat")
    words = "; ".join(faults) + ": make the rig again" if faults else "the rig stands as it did"
    return RigCheck(not faults, distance, tilt, residual, words)


def rig_reading(rig: Rig, size_px: tuple[int, int]) -> RigReading:
    """The rig as a scale for a photo of this size.

    Raises
    ------
    RigError
        The photo has another size, so another camera, zoom or crop.
    """
    _check_size(rig, size_px)
    return RigReading(rig.name, rig.camera, rig.bench, rig.notes)


# --- files -----------------------------------------------------------------------------------------------------------


def rig_folder() -> Path:
    """Where rigs are kept: PHOTOSCALE_RIGS, else the user's configuration folder."""
    if named := os.environ.get("PHOTOSCALE_RIGS"):
        return Path(named)
    base = os.environ.get("XDG_CONFIG_HOME")
    return (Path(base) if base else Path.home() / ".config") / "photoscale" / "rigs"


def save_rig(rig: Rig, folder: Path | None = None) -> Path:
    """Write a rig to one JSON file, whole or not at all; returns its path.

    Raises
    ------
    RigError
        The folder cannot be written.
    """
    folder = folder or rig_folder()
    data = {"format": FORMAT, **asdict(rig)}
    bench = data["bench"]
    for key in ("points_px", "points_mm"):
        bench[key] = np.round(bench[key], 6).tolist()
    target = folder / f"{rig.name}.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", dir=folder, suffix=".part", delete=False, encoding="utf-8") as file:
            json.dump(data, file, indent=1)
        Path(file.name).replace(target)
    except OSError as e:
        raise RigError(f"{target}: cannot be written ({e.strerror})", "check the folder, or set PHOTOSCALE_RIGS") from e
    return target


def load_rig(name: str, folder: Path | None = None) -> Rig:
    """Read a rig.

    Raises
    ------
    RigError
        Unknown name (the known ones are listed) or a damaged file.
    """
    _check_name(name)
    folder = folder or rig_folder()
    path = folder / f"{name}.json"
    if not path.is_file():
        known = ", ".join(list_rigs(folder)) or "none"
        raise RigError(f"no rig is called {name!r}; known here: {known}", "make one with: rig make NAME PHOTOS")
    try:
        data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if data.pop("format") != FORMAT:
            raise RigError(f"{path}: written by another version", "make the rig again")
        camera = data.pop("camera")
        bench = data.pop("bench")
        return Rig(
            camera=Camera(
                float(camera["focal_px"]),
                (float(camera["centre_px"][0]), float(camera["centre_px"][1])),
                tuple(float(v) for v in camera["distortion"]),  # type: ignore[arg-type]
                float(camera["u_focal_rel"]),
            ),
            bench=CardReading(
                np.array(bench["points_px"], float).reshape(-1, 2),
                np.array(bench["points_mm"], float).reshape(-1, 2),
                float(bench["square_mm"]),
                float(bench["u_square_mm"]),
                float(bench["residual_px"]),
                tuple(bench["notes"]),
            ),
            u_distortion=tuple(data.pop("u_distortion")),
            left_out_px=tuple(data.pop("left_out_px")),
            notes=tuple(data.pop("notes")),
            **data,
        )
    except (OSError, ValueError, KeyError, TypeError, IndexError) as e:
        raise RigError(f"{path}: damaged", "make the rig again") from e


def list_rigs(folder: Path | None = None) -> list[str]:
    """Names of all rigs kept."""
    folder = folder or rig_folder()
    return sorted(p.stem for p in folder.glob("*.json")) if folder.is_dir() else []


def delete_rig(name: str, folder: Path | None = None) -> None:
    """Forget a rig.

    Raises
    ------
    RigError
        Unknown name.
    """
    _check_name(name)
    path = (folder or rig_folder()) / f"{name}.json"
    if not path.is_file():
        raise RigError(f"no rig is called {name!r}", f"known here: {', '.join(list_rigs(folder)) or 'none'}")
    path.unlink()


def _check_name(name: str) -> None:
    if not re.fullmatch(r"[\w-][\w.-]{0,59}", name):
        raise RigError(f"{name!r} is no name for a rig", "use letters, digits, - and _")


def _check_size(rig: Rig, size_px: tuple[int, int]) -> None:
    if size_px != (rig.width_px, rig.height_px):
        raise RigError(
            f"the photo has {size_px[0]} x {size_px[1]} px, the rig {rig.name!r} {rig.width_px} x {rig.height_px}",
            "use the camera, zoom and picture size that the rig was made with",
        )
