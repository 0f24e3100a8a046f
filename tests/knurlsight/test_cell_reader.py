"""The network that reads a second track from folded cells: its arithmetic, and hand-made cells with and without one."""

from __future__ import annotations

import numpy as np
import pytest
from knurlsight.measuring.cell_reader import _convolved, read_cells
from knurlsight.measuring.fold import CELL
from knurlsight.measuring.ghost import ARCS_DEG, CLEAN_BELOW, PRESENT_ABOVE
from scipy.ndimage import correlate, gaussian_filter


@pytest.mark.parametrize("size", [(5, 5), (3, 3), (3, 1)])
def test_convolution_agrees_with_scipy(size: tuple[int, int]) -> None:
    """Outside check: scipy.ndimage.correlate with mode "wrap" (deep learning's convolution does not flip)."""
    rng = np.random.default_rng(11)
    x = rng.normal(size=(2, 3, 10, 14)).astype(np.float32)
    kernel = rng.normal(size=(4, 3, *size)).astype(np.float32)
    bias = rng.normal(size=4).astype(np.float32)
    expected = np.zeros((2, 4, 10, 14))
    for n, o in np.ndindex(2, 4):
        total = sum(correlate(x[n, c].astype(float), kernel[o, c].astype(float), mode="wrap") for c in range(3))
        expected[n, o] = np.maximum(total + bias[o], 0)
    assert _convolved(x, kernel, bias) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("axis", "by"), [(1, 2), (1, 10), (2, 4), (2, -6)])
def test_where_in_the_cell_a_line_lies_makes_no_difference(axis: int, by: int) -> None:
    """By even shifts: the network halves its cells once."""
    cells = np.random.default_rng(4).normal(size=(5, CELL, CELL)).astype(np.float32)
    read, shifted = read_cells(cells), read_cells(np.roll(cells, by, axis=axis))
    assert read is not None
    assert shifted is not None
    for name, value in vars(read).items():
        assert vars(shifted)[name] == pytest.approx(value, abs=1e-3)


def lit_cells(ratio: float, fill: float = 0.8) -> np.ndarray:
    """Cells of crossing V-grooves, the first family with a second groove halfway, `ratio` as deep; one lamp at a side.

    Lambert's cosine of the flanks, blurred as by a lens; no shadows, no parallax: as plain as a picture of it can be.
    """
    fine = 4 * CELL
    phase = (np.arange(fine) + 0.5) / fine

    def groove(centre: float, deep: float) -> np.ndarray:
        away = np.abs((phase - centre) - np.round(phase - centre))
        return np.maximum(deep * fill / 2 - away, 0)  # flanks of 45°

    own = np.maximum(groove(0.25, 1.0), groove(0.75, ratio))
    depth = np.maximum(own[:, None], groove(0.4, 1.0)[None, :])
    depth = gaussian_filter(depth, 0.015 * fine, mode="wrap")
    by_own, by_other = ((np.roll(depth, -1, axis) - np.roll(depth, 1, axis)) * fine / 2 for axis in (0, 1))
    # families at ±30° to the axis, at a pitch of 1: x along the part, y around it
    normal = np.stack([0.5 * (by_own - by_other), np.sqrt(0.75) * (by_own + by_other), np.ones_like(depth)])
    normal /= np.linalg.norm(normal, axis=0)
    cells = []
    for arc in np.radians(ARCS_DEG):
        lamp = np.array([0.35, np.sin(np.radians(50) - arc), np.cos(np.radians(50) - arc)])
        seen = np.sqrt(np.maximum(np.tensordot(lamp, normal, 1), 0) + 0.2)
        seen = gaussian_filter(seen, 0.03 * fine, mode="wrap").reshape(CELL, 4, CELL, 4).mean(axis=(1, 3))
        cells.append((seen - seen.mean()) / seen.std())
    return np.array(cells, np.float32)


@pytest.mark.parametrize("fill", [0.7, 0.8, 0.9])
def test_a_second_groove_is_read_and_a_clean_pattern_is_not_called_doubled(fill: float) -> None:
    clean = read_cells(lit_cells(0.0, fill=fill))
    doubled = read_cells(lit_cells(0.6, fill=fill))
    assert clean is not None
    assert doubled is not None
    assert clean.log_odds < CLEAN_BELOW
    assert doubled.log_odds > PRESENT_ABOVE
    assert doubled.ratio == pytest.approx(0.6, abs=0.25)
    assert doubled.offset == pytest.approx(0.5, abs=0.1)


def test_cells_that_cannot_be_read_give_none() -> None:
    cells = lit_cells(0.0)
    cells[2, 5, 7] = np.nan
    assert read_cells(cells) is None
    assert read_cells(np.full_like(cells, np.inf)) is None
    assert read_cells(np.empty((0, CELL, CELL), np.float32)) is None


def test_cells_are_left_as_they_were() -> None:
    cells = 9 * lit_cells(0.5)
    before = cells.copy()
    read_cells(cells)
    assert (cells == before).all()
