"""How many teeth stand round a part, from how far its lines moved in photos of it turned by steps.

A turn by α moves the lines of N teeth by N α / 360 pitches, of which the photos show the part behind the comma. A
photo by itself knows N to about a tooth; together they leave one whole number, unless the hand that set the steps was
too uncertain. All of that is in one posterior: over N, the sense of the turn, the size of the step, and how evenly it
was set.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

Array = NDArray[np.float64]

CERTAIN = 0.95
#: Scatter of single positions, degrees: from a dividing head to marks set by eye; each as likely as the next.
UNEVEN_DEG = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)
SPREAD = np.linspace(-3.0, 3.0, 25)  # of the step about its nominal size, standard uncertainties
REACH_TEETH = 6


@dataclass(frozen=True)
class Step:
    """A size of the step that may have been used: degrees with standard uncertainty, and how likely beforehand."""

    deg: float
    u_deg: float
    weight: float = 1.0


@dataclass(frozen=True)
class Count:
    """What the phases say.

    Attributes
    ----------
    teeth : Quantity
        Mean and standard deviation of the posterior.
    whole : int or None
        Stated when its probability is over 0.95.
    sense : int
        +1 right-handed about the axis from end 1 to end 2, -1 the other way, 0 when the pattern looks the same both
        ways.
    step_deg : float or None
        The size of the step, None when several are as likely.
    agree : bool
        Whether the phases go with any of the steps much better than photos set at random would.
    """

    teeth: Quantity
    whole: int | None
    sense: int
    step_deg: float | None
    agree: bool


def count_round(
    teeth: Quantity, phases: Array, positions: Sequence[int], u_phase: float, steps: Sequence[Step], *, closes: bool
) -> Count:
    """Count round the part.

    Parameters
    ----------
    teeth : Quantity
        From the single photos.
    phases : (n,) array
        Turns by which the lines lie on towards positive θ, against the first photo, modulo 1.
    positions : sequence of int
        How many steps each photo is turned.
    u_phase : float
        Standard uncertainty of one phase, turns.
    steps : sequence of Step
        One, or the sizes among which the pattern shall decide.
    closes : bool
        Whether N is whole; with a seam it is a real number.

    Notes
    -----
    Phases are circular (von Mises), their common offset is integrated out in closed form: ∫ Π exp(κ cos(r_k - c)) dc =
    2π I0(κ |Σ exp(i r_k)|) (K. V. Mardia, P. E. Jupp, Directional Statistics, 2000, 3.5.4; from memory).
    """
    numbers = _numbers(teeth, closes=closes)
    prior_n = -0.5 * ((numbers - teeth.value) / max(teeth.u, 1e-3)) ** 2
    senses = (1, -1)
    # (steps, senses, numbers)
    log = np.stack(
        [np.stack([_evidence(numbers * s, phases, positions, u_phase, step) for s in senses]) for step in steps]
    )
    weights = np.log([s.weight for s in steps]) - math.log(sum(s.weight for s in steps))
    log = log + prior_n + weights[:, None, None]
    p = np.exp(log - log.max())
    p /= p.sum()
    of_n, of_sense, of_step = p.sum((0, 1)), p.sum((0, 2)), p.sum((1, 2))
    mean = float(of_n @ numbers)
    spread = math.sqrt(float(of_n @ (numbers - mean) ** 2))
    best = int(of_n.argmax())
    whole = round(float(numbers[best])) if closes and of_n[best] > CERTAIN else None
    sense = senses[int(of_sense.argmax())] if of_sense.max() > CERTAIN else 0
    step_deg = steps[int(of_step.argmax())].deg if of_step.max() > CERTAIN else None
    # against photos set at random, whose phases are even over the circle; the prior of N is divided out
    evidence = float(np.log(np.exp(log - log.max()).sum() / np.exp(prior_n).sum() / 2) + log.max())
    return Count(Quantity(mean, spread), whole, sense, step_deg, evidence > -len(phases) * math.log(2 * math.pi))


def _numbers(teeth: Quantity, *, closes: bool) -> Array:
    reach = min(REACH_TEETH, math.ceil(4 * teeth.u + 1))
    if closes:
        return np.arange(round(teeth.value) - reach, round(teeth.value) + reach + 1, dtype=float)
    return np.arange(teeth.value - reach, teeth.value + reach, 0.02)


def _evidence(signed: Array, phases: Array, positions: Sequence[int], u_phase: float, step: Step) -> Array:
    """Log evidence of every signed number of teeth (m,), step and evenness integrated out."""
    from scipy.special import i0e

    at = np.asarray(positions, float)
    parts = []
    for x, uneven in itertools.product(SPREAD if step.u_deg > 0 else (0.0,), UNEVEN_DEG):
        turn = (step.deg + x * step.u_deg) / 360
        # residuals (m, n) in turns
        angle = 2 * np.pi * (phases[None] - signed[:, None] * turn * at[None])
        sd = 2 * np.pi * np.hypot(u_phase, np.abs(signed) * uneven / 360)
        kappa = 1 / sd**2
        resultant = kappa * np.abs(np.exp(1j * angle).sum(axis=1))
        n = len(at)
        # log of ∫ Π vM over the offset, exponents taken out of the Bessel functions
        one = np.log(i0e(resultant)) + resultant - n * (np.log(i0e(kappa)) + kappa) - n * math.log(2 * math.pi)
        parts.append(one - 0.5 * x * x)
    stack = np.stack(parts)
    top = stack.max(axis=0)
    norm = np.exp(-0.5 * SPREAD**2).sum() if step.u_deg > 0 else 1.0
    return np.asarray(top + np.log(np.exp(stack - top).sum(axis=0)) - math.log(norm * len(UNEVEN_DEG)))
