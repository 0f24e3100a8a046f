"""How much more the dial must read than the wheel goes in: one machine's spring, learnt from its own records."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from photoscale.quantity import Quantity

from knurlsight.errors import ExchangeError, SetupError
from knurlsight.exchange.inspected import Inspected
from knurlsight.setup_math.expected import expectation, rolled_families
from knurlsight.setup_math.forms import FORMS
from knurlsight.setup_math.growth import Groove, growth_of_grooves_mm
from knurlsight.setup_math.setup import setup_from_document
from knurlsight.setup_math.setup_model import Setup, rolled_form

#: Cuts that a figure needs, and those that a line through different infeeds needs.
LEAST_CUTS, LEAST_FOR_LINE = 3, 5
#: How far beyond what was rolled a figure is still given, as a share of the range (of the mean for a single infeed).
BEYOND = 0.25
CONFIDENCE = 0.95


@dataclass(frozen=True)
class DialPoint:
    """One cut: the dial from touching on, on the radius, and how far the wheel went in by the fill reached."""

    dial_mm: float
    penetration: Quantity
    title: str = ""


@dataclass(frozen=True)
class DialFigure:
    """What the dial should read for a penetration, on the radius, with the 95 % interval for the next part.

    Attributes
    ----------
    dial_mm, low_mm, high_mm : float
    penetration_mm : float
    cuts : int
    words : str
        What it rests on.
    """

    dial_mm: float
    low_mm: float
    high_mm: float
    penetration_mm: float
    cuts: int
    words: str


def penetration_mm(setup: Setup, fill: float) -> float:
    """How far the wheel goes in below the blank, on the radius, for a form fill: depth − growth / 2.

    Raises
    ------
    ExchangeError
        The setup does not say what is rolled.
    """
    form = rolled_form(setup)
    if form is None:
        raise ExchangeError("the setup says neither form nor wheels", hint='[pattern] form = "RGE"')
    families = rolled_families(setup)
    if families:
        grooves = [Groove(f.normal_pitch_mm, fill, f.profile_angle_deg) for f in families]
    else:
        grooves = [Groove(f.normal_pitch_mm, fill) for f in expectation(setup).pattern.families]
    return max(g.depth_mm for g in grooves) - growth_of_grooves_mm(FORMS[form].points, grooves) / 2.0


def dial_points(inspections: Sequence[Inspected]) -> tuple[DialPoint, ...]:
    """The cuts whose dial, dial scale and fill are all known; the last dial reading at the bench beats the setup's."""
    points = []
    for done in inspections:
        if done.result.setup is None:
            continue
        try:
            setup = setup_from_document(done.result.setup.content)
        except SetupError:
            continue
        readings = done.bench.get("dial_readings_mm") or ()
        dial = float(readings[-1]) if readings else setup.process.dial_infeed_mm
        if dial is None or setup.process.dial_on is None:
            continue
        radial = dial / 2.0 if setup.process.dial_on == "diameter" else dial
        for part in done.result.parts:
            fill = part.form_fill
            if fill is None or fill.u <= 0 or fill.value <= 0.05:
                continue
            value = min(fill.value, 1.0)
            middle = penetration_mm(setup, value)
            # one-sided step: a fill over 1 does not exist
            step = (middle - penetration_mm(setup, value - 0.02)) / 0.02
            title = f"job {done.job} entry {done.entry} part {part.id}"
            points.append(DialPoint(radial, Quantity(middle, abs(step) * fill.u, "mm"), title))
    return tuple(points)


def dial_for(points: Sequence[DialPoint], wanted_mm: float) -> DialFigure:
    """The dial for a penetration, on the radius.

    Parameters
    ----------
    points : sequence of DialPoint
        Cuts of one machine in one material.
    wanted_mm : float
        Penetration on the radius.

    Raises
    ------
    ExchangeError
        Too few cuts, or none near what is wanted, or more scatter than slope.

    Notes
    -----
    With cuts at different infeeds: a straight line of penetration over dial, read backwards with the interval of
    Fieller for one new part (Draper & Smith, *Applied Regression Analysis*, 3.2). With cuts at one infeed: the mean of
    dial − penetration, good near that infeed only. The scatter is never taken smaller than the figures' own doubt.
    """
    n = len(points)
    if n < LEAST_CUTS:
        raise ExchangeError(
            f"{n} cuts with dial, dial scale and fill are recorded; {LEAST_CUTS} are needed",
            hint="dial_on in [process] of the setup, with dial_infeed there or --record dial=0.30mm at the bench",
        )
    dial = np.array([p.dial_mm for p in points])
    reached = np.array([p.penetration.value for p in points])
    doubt = float(np.sqrt(np.mean([p.penetration.u**2 for p in points])))
    if n >= LEAST_FOR_LINE and np.ptp(dial) > 0.1 * dial.mean():
        return _by_line(dial, reached, doubt, wanted_mm)
    return _by_mean(dial, reached, doubt, wanted_mm)


def _by_mean(dial: np.ndarray, reached: np.ndarray, doubt: float, wanted: float) -> DialFigure:
    n = len(dial)
    if abs(wanted - reached.mean()) > BEYOND * reached.mean():
        raise ExchangeError(
            f"a penetration of {wanted:.3f} mm is far from the {reached.mean():.3f} mm of the {n} cuts; cuts at "
            f"different infeeds ({LEAST_FOR_LINE} or more) would tell"
        )
    spring = dial - reached
    half = _t(n - 1) * max(float(spring.std(ddof=1)), doubt) * math.sqrt(1.0 + 1.0 / n)
    at = wanted + float(spring.mean())
    words = f"from {n} cuts at one infeed: the spring was {spring.mean():.3f} mm, which holds near that infeed"
    return DialFigure(at, at - half, at + half, wanted, n, words)


def _by_line(dial: np.ndarray, reached: np.ndarray, doubt: float, wanted: float) -> DialFigure:
    n = len(dial)
    x, y = dial - dial.mean(), reached - reached.mean()
    sxx = float(x @ x)
    slope = float(x @ y) / sxx
    s = max(math.sqrt(float(((y - slope * x) ** 2).sum()) / (n - 2)), doubt)
    t = _t(n - 2)
    room = slope**2 - (t * s) ** 2 / sxx
    if slope <= 0 or room <= 0:
        raise ExchangeError(f"the {n} cuts do not show that a deeper dial goes in further: their scatter hides it")
    above = wanted - float(reached.mean())
    middle = float(dial.mean()) + slope * above / room
    half = t * s / room * math.sqrt(above**2 / sxx + room * (1.0 + 1.0 / n))
    at = float(dial.mean()) + above / slope
    reach = BEYOND * float(np.ptp(dial))
    if not dial.min() - reach <= at <= dial.max() + reach:
        raise ExchangeError(
            f"a penetration of {wanted:.3f} mm is far from what the {n} cuts reached ({reached.min():.3f} to "
            f"{reached.max():.3f} mm)"
        )
    words = f"from {n} cuts at dials of {dial.min():.3f} to {dial.max():.3f} mm: {slope:.2f} of the dial goes in"
    return DialFigure(at, middle - half, middle + half, wanted, n, words)


def _t(freedom: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + CONFIDENCE / 2))
