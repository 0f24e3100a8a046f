"""The slopes of the flank model against differences of the model itself, for every way of crossing and for ghosts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from knurlsight.measuring.flank_fit import (
    DEAR_SHADING,
    FREE_SHADING,
    Cells,
    Patch,
    fit,
    get,
    put,
    shape_of,
    unexplained,
)
from knurlsight.measuring.flank_rays import RAYS, SLOPES, slopes_of_rays
from knurlsight.measuring.flanks import Grooves, Knurl, kinds, packed
from knurlsight.measuring.sightlines import Sightlines, sightlines
from knurlsight.measuring.start import _between, free_names
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder

RIGHT, LEFT = Grooves(8.6, -5.0, 0.13, 0.8), Grooves(8.5, 4.9, 0.61, 0.7)
AXIAL, RINGS = Grooves(9.0, 0.0, 0.2, 0.75), Grooves(0.0, 9.0, 0.3, 0.75)
KNURLS = {
    "tied": Knurl("raised", (RIGHT, replace(LEFT, around=RIGHT.around)), 92.0, 1.2),
    "raised": Knurl("raised", (RIGHT, LEFT), 92.0, 1.2),
    "recessed": Knurl("recessed", (RIGHT, LEFT), 88.0, 1.0),
    "plain light": Knurl("raised", (RIGHT, LEFT), 92.0, 1.2, shaded=False),
    "single": Knurl("single", (LEFT,), 90.0, 0.9),
    "straight": Knurl("single", (AXIAL,), 90.0, 1.1),
    "square": Knurl("raised", (AXIAL, RINGS), 90.0, 1.1),
    "ghost": Knurl("raised", (replace(RIGHT, ghost=0.4, offset=0.45), LEFT), 91.0, 1.1),
    "ghosts": Knurl("recessed", tuple(replace(g, ghost=0.5, offset=0.4) for g in (RIGHT, LEFT)), 91.0, 1.1),
}
TIED_PAIR = KNURLS["tied"]


def patch() -> Sightlines:
    """Sixty degrees to either side of a part a dozen radii away, 12 samples to a pitch."""
    grey = np.random.default_rng(2).integers(40, 200, (420, 360)).astype(np.uint8)
    cylinder = Cylinder(np.array([0.0, 0.1, 12.0]), np.array([1.0, 0.0, 0.0]), 1.0)
    return sightlines(grey, Camera(1800.0, (179.5, 209.5)), cylinder, (-0.6, 0.6), 60.0, 0.1, 12.0)


SIGHT = patch()


@pytest.mark.parametrize("kind", KNURLS)
def test_slopes_are_those_of_the_model(kind):
    knurl = KNURLS[kind]
    of = packed(knurl)
    light = np.random.default_rng(5).normal(size=of.kinds).astype(np.float32)[:, None, None]
    rays = [getattr(SIGHT, name).ravel() for name in RAYS]
    out = np.empty((len(SLOPES), rays[0].size), np.float32)
    slopes_of_rays(*rays, np.ones_like(rays[0]), *of.numbers, of.all_kinds(light[None, :, 0, 0]), *out)
    found_of = {name: row.reshape(SIGHT.theta.shape) for name, row in zip(SLOPES, out, strict=True)}
    for name, found in found_of.items():
        if name[0] >= len(knurl.families) or name[1] in ("around", "along"):
            continue
        step = {"profile_angle_deg": 0.2}.get(name[1], 1e-3)
        here = get(knurl, name)
        up, down = (kinds(put(knurl, {name: here + d}), SIGHT) for d in (step, -step))
        wanted = ((up - down) * light).sum(axis=0) / (2 * step)
        # rays that jump from one flank to another between the two have no slope
        away = np.abs(found - wanted)
        assert np.quantile(away, 0.8) < 0.02 * np.sqrt((wanted**2).mean()), name
        assert np.corrcoef(found.ravel(), wanted.ravel())[0, 1] > 0.95, name
    # counts and axial frequencies move the phase in proportion to θ and z
    for k in range(len(knurl.families)):
        assert found_of[k, "around"] == pytest.approx(-found_of[k, "phase"] * SIGHT.theta)
        assert found_of[k, "along"] == pytest.approx(-found_of[k, "phase"] * SIGHT.z)
    both = found_of[0, "phase"] + found_of[1, "phase"]
    assert found_of[-1, "around"] == pytest.approx(-both * SIGHT.theta, abs=1e-5)


def test_shares_of_all_kinds_without_shading_are_one():
    knurl = KNURLS["plain light"]
    shares = kinds(knurl, SIGHT)
    assert shares.sum(axis=0) == pytest.approx(1.0, abs=1e-5)
    assert shares.min() > -1e-6


def test_long_cells_are_solved_like_short_ones():
    knurl = KNURLS["raised"]
    weight = np.random.default_rng(3).choice(np.array([0.0, 0.3, 1.0], np.float32), SIGHT.weight.shape)
    sight = replace(SIGHT, weight=weight)
    whole = Patch(sight, Cells(1, 1))
    assert whole.parts > 1
    # by hand, in one piece
    shares = kinds(knurl, SIGHT).reshape(13, -1).astype(float)
    target, weight = SIGHT.brightness.ravel().astype(float), weight.ravel()
    normal = (shares * weight) @ shares.T + 1e-3 * target.size * np.eye(13)
    light = np.linalg.solve(normal, (shares * weight) @ target)
    left = float((weight * (target - light @ shares) ** 2).sum())
    assert whole.solve(knurl).left == pytest.approx(left, rel=1e-4)
    assert unexplained(knurl, sight, Cells(1, 1)) == pytest.approx(left / float((weight * target**2).sum()), rel=1e-4)


@pytest.mark.parametrize("shading", [FREE_SHADING, 20 * DEAR_SHADING])
def test_pulls_lead_down_the_cost_with_the_price_of_the_light(shading):
    knurl = TIED_PAIR
    names = ((0, "phase"), (1, "along"), (-1, "around"))
    light = np.random.default_rng(5).normal(size=13).astype(np.float32)[:, None, None]
    other = put(knurl, {(0, "phase"): 0.16, (1, "along"): 4.92, (-1, "around"): 8.65})
    drawn = np.asarray((light * kinds(other, SIGHT)).sum(axis=0), np.float32)
    cut = Patch(replace(SIGHT, brightness=drawn), Cells(6, 2), shading)

    def cost(at):
        solved = cut.solve(at)
        return solved.left + solved.price

    pulls = cut.solve(knurl, names).pulls.sum(axis=0)
    for name, pull in zip(names, pulls, strict=True):
        step, here = 2e-3, get(knurl, name)
        rise = (cost(put(knurl, {name: here + step})) - cost(put(knurl, {name: here - step}))) / (2 * step)
        scale = 0.03 * np.abs(pulls).max() * 2
        assert rise == pytest.approx(-2 * pull, rel=0.15, abs=scale), name


def test_dear_shading_explains_less_of_the_same():
    knurl = KNURLS["raised"]
    free, dear = (Patch(SIGHT, Cells(6, 2), price).solve(knurl) for price in (FREE_SHADING, 20 * DEAR_SHADING))
    assert dear.left > free.left
    assert np.abs(dear.light[:, 5:]).mean() < 0.5 * np.abs(free.light[:, 5:]).mean()


def test_the_shape_is_fitted_with_the_counts_held():
    names = free_names(TIED_PAIR, tied=True)
    counted = fit(TIED_PAIR, SIGHT, Cells(6, 2), names, steps=2, shading=DEAR_SHADING)
    shaped = shape_of(counted, SIGHT)
    assert [g.around for g in shaped.knurl.families] == [g.around for g in counted.knurl.families]
    assert shaped.unexplained < counted.unexplained
    assert shaped.names == names
    assert shaped.u((-1, "around")) == counted.u((-1, "around"))


def test_a_rival_with_counts_of_its_own_has_no_say_in_the_common_one():
    apart = put(TIED_PAIR, {(0, "around"): 8.6 * 1.1})
    light = np.random.default_rng(5).normal(size=13).astype(np.float32)[:, None, None]
    sight = replace(SIGHT, brightness=np.asarray((light * kinds(apart, SIGHT)).sum(axis=0), np.float32))
    cells = Cells(6, 2)
    tied, other = (
        fit(TIED_PAIR, sight, cells, free_names(TIED_PAIR, tied=True), steps=1),
        fit(apart, sight, cells, free_names(apart), steps=1),
    )
    assert other.cost < tied.cost
    found = _between([tied, replace(other, cost=tied.cost)], sight, cells, None)
    assert len(found.names) == len(found.covariance)
