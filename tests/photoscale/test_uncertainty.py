"""Uncertainty: published examples, and the scale chain against drawing its inputs at random."""

from __future__ import annotations

import math
from dataclasses import replace

import GTC
import numpy as np
import pytest
from photoscale.camera import Camera
from photoscale.card import CardReading
from photoscale.cylinder import Cylinder
from photoscale.photo import Photo
from photoscale.quantity import Quantity
from photoscale.reading import DiameterReading, Reading, RuleReading
from photoscale.scene import U_CENTRE_REL, U_K1, U_K2, U_RULE_REL, Silhouette, scale_cylinder
from photoscale.words import ScaleHeight


def test_end_gauge_of_the_guide() -> None:
    # rows gum-h1-u, gum-h1-nu, gum-h1-k95: JCGM 100:2008, H.1, calibration of an end gauge; components in nm with
    # their degrees of freedom
    parts = [(25, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.9, 50), (16.6, 2)]
    total = sum(GTC.ureal(0, u, dof) for u, dof in parts)
    assert GTC.uncertainty(total) == pytest.approx(32, abs=0.5)
    assert math.floor(GTC.dof(total)) == 16
    assert GTC.reporting.k_factor(16) == pytest.approx(2.12, abs=0.005)


@pytest.mark.parametrize(
    ("name", "draw", "expected", "tolerance"),
    [
        # rows s1-gauss and s1-rect: JCGM 101:2008, 9.2, additive model of four inputs with u = 1
        ("s1-gauss", lambda rng, n: rng.normal(0, 1, (4, n)).sum(axis=0), 3.92, 0.02),
        ("s1-rect", lambda rng, n: rng.uniform(-math.sqrt(3), math.sqrt(3), (4, n)).sum(axis=0), 3.88, 0.02),
    ],
)
def test_rectangles_of_supplement_1(name: str, draw: object, expected: float, tolerance: float) -> None:
    assert callable(draw)
    values = draw(np.random.default_rng(1), 1_000_000)
    low, high = np.percentile(values, [2.5, 97.5])
    assert (high - low) / 2 == pytest.approx(expected, abs=tolerance), name
    # the law of propagation for the same inputs: u = 2
    assert GTC.uncertainty(sum(GTC.ureal(0, 1) for _ in range(4))) == pytest.approx(2.0)


# --- the scale chain --------------------------------------------------------------------------------------------------

W, H = 3000, 2250
DISTANCE, RADIUS = 200.0, 9.0
EQUIVALENT = 50.0
LEVEL = np.array([[-2.0, 1.0], [2.0, 1.0]])


def drawn(kind: str, rng: np.random.Generator | None) -> tuple[Photo, Reading, Silhouette, float]:
    """A scene whose inputs are drawn from their uncertainties (None: at their best estimates); its true mm per px."""

    def error(u: float, size: tuple[int, ...] | None = None) -> np.ndarray:
        return np.zeros(size or ()) if rng is None else rng.normal(0, u, size)

    a, b = np.deg2rad([5.0, -4.0])
    rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    ry = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    rotation, shift = rx @ ry @ np.diag([1.0, -1, -1]), np.array([0, 0, DISTANCE])
    focal = EQUIVALENT / 36 * W
    centre = np.array([(W - 1) / 2, (H - 1) / 2]) + error(U_CENTRE_REL * W, (2,))
    camera = Camera(
        focal, (float(centre[0]), float(centre[1])), (float(error(U_K1)), float(error(U_K2)), 0.0, 0.0), 0.05
    )
    photo = Photo(
        "drawn.jpg", np.zeros((64, 64), np.uint8), "", W, H, focal_length_35mm=EQUIVALENT * math.exp(float(error(0.05)))
    )

    def see(world: np.ndarray) -> np.ndarray:
        return camera.project(world @ rotation.T + shift)

    axis = rotation @ np.array([1.0, 0.1, 0]) / math.hypot(1, 0.1)
    p = rotation @ np.array([0, 15, RADIUS]) + shift
    cylinder = Cylinder(p - (axis @ p) * axis, axis, RADIUS)
    z = np.array([-10.0, 10.0])
    edges = [camera.project(cylinder.points(np.full(2, s * cylinder.limb_rad), z)) for s in (1, -1)]
    u_px = 0.3
    edges = [
        e + np.array([0, float(error(u_px))]) + np.array([[0, -1], [0, 1]]) * float(error(u_px / 2)) for e in edges
    ]
    silhouette = Silhouette(edges[0], edges[1], u_px, LEVEL)
    ends = camera.project(cylinder.points(np.zeros(2), np.array([-0.1, 0.1])))
    mm_per_px = 0.2 / float(np.linalg.norm(ends[1] - ends[0]))
    reading: Reading
    if kind == "card":
        x, y = np.meshgrid(np.arange(1, 8) * 10.0, np.arange(1, 5) * 10.0)
        mm = np.column_stack([x.ravel(), y.ravel()])
        true = mm * (1 + float(error(0.003)))
        world = np.column_stack([true[:, 0] - 40, -true[:, 1], np.full(28, 0.3 + float(error(0.2)))])
        reading = CardReading(see(world) + error(0.06, (28, 2)), mm, 10.0, 0.03, 0.06)
    elif kind == "rule":
        mm = np.arange(80.0)
        true = mm * (1 + float(error(U_RULE_REL)))
        top = 0.8 + float(error(0.3))
        rows = [np.column_stack([true - 40, np.full(80, y), np.full(80, top)]) for y in (-32.0, -15.0)]
        px = see(np.vstack(rows)) + error(0.06, (160, 2))
        reading = RuleReading(
            px, np.tile(mm, 2), np.repeat([0, 1], 80), 1.0, (1.0, 1.0), "1 mm", 0.06, 0.06, 1.5, np.zeros((4, 2))
        )
    else:
        reading = DiameterReading(Quantity(2 * RADIUS + float(error(0.02)), 0.02, "mm"))
    return photo, reading, silhouette, mm_per_px


@pytest.mark.parametrize("kind", ["card", "rule", "od"])
def test_drawing_the_inputs_agrees_with_propagating_them(kind: str) -> None:
    # JCGM 101: the spread of the answer over drawn inputs; 120 draws know it to 6.5 %, so 15 % is 2.3 standard errors
    rng = np.random.default_rng(21)
    photo, reading, silhouette, _ = drawn(kind, None)
    told = scale_cylinder(photo, reading, silhouette, ScaleHeight())
    off_scale, off_diameter = [], []
    for _ in range(120):
        photo, reading, silhouette, true = drawn(kind, rng)
        scale = scale_cylinder(photo, reading, silhouette, ScaleHeight())
        off_scale.append(scale.mm_per_px.value / true - 1)
        off_diameter.append(scale.outside_diameter.value / (2 * RADIUS) - 1)
    assert np.std(off_scale) == pytest.approx(told.mm_per_px.relative_u, rel=0.15)
    assert np.std(off_diameter) == pytest.approx(told.outside_diameter.relative_u, rel=0.15)


def test_the_budget_adds_up_and_names_what_matters() -> None:
    photo, reading, silhouette, _ = drawn("rule", None)
    scale = scale_cylinder(photo, reading, silhouette, ScaleHeight())
    total = GTC.uncertainty(sum(GTC.ureal(0, row.u_rel, label=row.source) for row in scale.budget))
    assert total == pytest.approx(scale.mm_per_px.relative_u, rel=1e-6)
    assert scale.budget[0].source == "focal length"
    assert [row.u_rel for row in scale.budget] == sorted((row.u_rel for row in scale.budget), reverse=True)
    # nearer to the crest the focal length matters less
    assert isinstance(reading, RuleReading)
    better = scale_cylinder(
        replace(photo, focal_length_35mm=EQUIVALENT), reading, silhouette, ScaleHeight("stated", 0.8, 0.01)
    )
    assert better.mm_per_px.u < scale.mm_per_px.u
