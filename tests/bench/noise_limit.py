"""How near the measuring comes to the Cramer-Rao bound where nothing but noise is in the way.

    python tests/bench/noise_limit.py [--count 40]

A cylinder whose brightness is a plain sinusoid round and along it, with white noise: no depth, no shading, camera and
outline known. Shown are the scatter of the axial and transverse pitch over many draws of the noise, the bound for each,
and the standard uncertainty that the tool states, which holds what real surfaces do to it, so is far larger.

Bound: the inverse of the full Fisher matrix of level, amplitude, phase and both frequencies over the pixels that are
fitted, after Kay and Rife-Boorstyn's result for one tone (reference: image theory, "How well a period can be known").
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "fixtures"))

WIDTH, HEIGHT = 700, 520
LEVEL, AMPLITUDE = 128.0, 50.0
TEETH, HELIX_DEG = 60.0, 30.0
HALF_LENGTH = 1.2  # radii


def scene() -> tuple[Any, Any, Any, Any, Any]:
    """(outline, θ, z, mask of the surface, mask of what is fitted) of the picture's pixels."""
    from knurlsight.measuring.measure import FIT_ARC_DEG
    from knurlsight.model import Outline
    from photoscale.camera import Camera
    from photoscale.cylinder import Cylinder

    camera = Camera(4000.0, ((WIDTH - 1) / 2, (HEIGHT - 1) / 2), u_focal_rel=0.0)
    cylinder = Cylinder(np.array([0.0, 0.0, 20.0]), np.array([1.0, 0.0, 0.0]))
    zone = (-HALF_LENGTH, HALF_LENGTH)
    limb = cylinder.limb_rad
    edges = [camera.project(cylinder.points(np.full(2, t), np.array(zone))) for t in (limb, -limb)]
    edges.sort(key=lambda e: float(e[:, 1].mean()))
    part = np.vstack([edges[0], edges[1][::-1]])
    outline = Outline(camera, cylinder, np.array(edges), 0.05, zone, np.array([[zone[0], 1.0], [zone[1], 1.0]]), part)
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    theta, z, hit = cylinder.meet(camera.rays(np.stack([x.ravel(), y.ravel()], axis=-1)))
    seen = hit & (np.abs(z) <= HALF_LENGTH)
    fitted = seen & (np.abs(z) <= 0.97 * HALF_LENGTH) & (np.abs(theta) <= math.radians(FIT_ARC_DEG))
    return outline, theta, z, seen, fitted


def turns(theta: Any, z: Any) -> Any:
    """Phase in turns of a right-hand family."""
    along = TEETH / math.tau * math.tan(math.radians(HELIX_DEG))
    return TEETH / math.tau * theta - along * z + 0.3


def bound(theta: Any, z: Any, sigma: float) -> tuple[float, float]:
    """Least standard deviations of the frequencies round (turns a rad) and along (turns a radius)."""
    a = math.tau * turns(theta, z)
    slope = -AMPLITUDE * math.tau * np.sin(a)
    design = np.stack([np.ones_like(a), np.cos(a), slope, slope * theta, slope * z], axis=1)
    covariance = np.linalg.inv(design.T @ design / sigma**2)
    return math.sqrt(covariance[3, 3]), math.sqrt(covariance[4, 4])


def main() -> int:
    from knurlsight.measuring.measure import measure_part
    from photoscale.photo import Photo

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=40, help="draws of the noise")
    args = parser.parse_args()
    outline, theta, z, seen, fitted = scene()
    clean = np.where(seen, LEVEL + AMPLITUDE * np.cos(math.tau * turns(theta, z)), LEVEL)
    around, along = TEETH / math.tau, TEETH / math.tau * math.tan(math.radians(HELIX_DEG))
    print(
        f"{'noise / amplitude':18}{'figure':18}{'bias':>10}{'scatter':>10}{'bound':>10}{'ratio':>8}{'stated u':>10}   %"
    )
    for sigma in (5.0, 10.0, 25.0):
        figures = []
        for i in range(args.count):
            noise = np.random.default_rng([7, i]).standard_normal(clean.shape) * sigma
            grey = np.clip(np.rint(clean + noise), 0, 255).astype(np.uint8).reshape(HEIGHT, WIDTH)
            photo = Photo(name="made.png", grey=grey, sha256="0" * 64, width_px=WIDTH, height_px=HEIGHT)
            pattern = measure_part(photo, outline, None, None)
            for f in pattern.families:
                figures.append((f.teeth_fit, f.axial_pitch_radii, f.teeth.u / f.teeth.value))
        if len(figures) != args.count:
            print(f"{sigma / AMPLITUDE:<18.2f}measured {len(figures)} families in {args.count} pictures")
            continue
        teeth, axial, u = np.array(figures).T
        least = bound(theta[fitted], z[fitted], sigma)
        for name, got, true, limit in (
            ("transverse pitch", 1 / teeth, 1 / TEETH, least[0] / around),
            ("axial pitch", axial, 1 / along, least[1] / along),
        ):
            bias, scatter = (got.mean() / true - 1) * 100, got.std(ddof=1) / true * 100
            print(
                f"{sigma / AMPLITUDE:<18.2f}{name:18}{bias:+10.4f}{scatter:10.4f}{limit * 100:10.4f}"
                f"{scatter / limit / 100:8.2f}{np.median(u) * 100:10.3f}"
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
