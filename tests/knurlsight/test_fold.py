"""Folding: what lies on a known phase of the pattern is found there in the mean cell."""

from __future__ import annotations

import numpy as np
import pytest
from knurlsight.measuring.fold import CELL, FEWEST_SAMPLES, Phases, folded

ARCS_DEG = (-20.0, 0.0, 20.0)
ROWS, COLUMNS = 180, 260  # not square
ROUND, ALONG = 11.3, 7.7  # cycles of the patch; not whole, so that no sample repeats another's phase


def patch(families: int = 2) -> Phases:
    """A patch of crossing lines, dark along phase 0.30 of the first family and, half as much, 0.75 of the second."""
    v, u = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    v, u = v / ROWS, u / COLUMNS
    turns = (ROUND * v + ALONG * u, ROUND * v - ALONG * u)[:families]
    brightness = np.ones((ROWS, COLUMNS), np.float32)
    for t, at, dark in zip(turns, (0.30, 0.75), (1.0, 0.5), strict=False):
        away = np.abs((t - at) - np.round(t - at))
        brightness -= np.float32(dark) * (away < 0.06)
    return Phases(turns, 80 * (v - 0.5), brightness, np.ones(v.shape, bool))


def darkest(profile: np.ndarray) -> float:
    """Phase of the mean of what is darker than halfway."""
    phase = (np.arange(CELL) + 0.5) / CELL
    weight = np.clip(0.5 * (profile.max() + profile.min()) - profile, 0, None)
    return float(np.angle(np.sum(weight * np.exp(2j * np.pi * phase))) / (2 * np.pi) % 1)


@pytest.mark.parametrize("family", [0, 1])
def test_a_line_is_found_at_its_phase_along_the_rows_of_its_own_family(family: int) -> None:
    cells = folded(patch(), family, ARCS_DEG, 10.0)
    assert cells.shape == (len(ARCS_DEG), CELL, CELL)
    for cell in cells:
        own, other = darkest(cell.mean(axis=1)), darkest(cell.mean(axis=0))
        expected = (0.30, 0.75) if family == 0 else (0.75, 0.30)
        # the patch ends in mid-cycle, so samples are not spread evenly inside a sample of the cell: a quarter of one
        assert (own, other) == pytest.approx(expected, abs=0.25 / CELL)


def test_cells_have_mean_0_and_spread_1() -> None:
    for cell in folded(patch(), 0, ARCS_DEG, 10.0):
        assert float(cell.mean()) == pytest.approx(0, abs=1e-5)
        assert float(cell.std()) == pytest.approx(1, abs=0.02)  # spread + 0.003 of a brightness of about 0.3


def test_one_family_gives_columns_that_are_all_alike() -> None:
    for cell in folded(patch(families=1), 0, ARCS_DEG, 10.0):
        assert np.ptp(cell, axis=1).max() < 1e-5
        assert darkest(cell.mean(axis=1)) == pytest.approx(0.30, abs=0.25 / CELL)


def test_an_arc_without_enough_samples_gives_no_cell() -> None:
    whole = patch()
    few = whole.inside.copy()
    few[whole.theta_deg > 10] = False
    few[-1, : FEWEST_SAMPLES // 2] = True
    hidden = Phases(whole.turns, whole.theta_deg, whole.brightness, few)
    assert len(folded(hidden, 0, ARCS_DEG, 10.0)) == 2
    none = Phases(whole.turns, whole.theta_deg, whole.brightness, np.zeros_like(few))
    assert folded(none, 0, ARCS_DEG, 10.0).shape == (0, CELL, CELL)


def test_a_piece_of_the_length_keeps_its_phases() -> None:
    piece = patch().columns(slice(40, 190))
    assert all(t.shape == (ROWS, 150) for t in (*piece.turns, piece.theta_deg, piece.brightness, piece.inside))
    for cell in folded(piece, 0, ARCS_DEG, 10.0):
        assert darkest(cell.mean(axis=1)) == pytest.approx(0.30, abs=0.25 / CELL)
