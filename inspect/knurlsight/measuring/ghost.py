"""Double tracking: is there a second set of grooves between the first, how deep, over how much of the zone.

Harmonics are not double tracking: sharp crests, lands, raised lips and shading all double the frequency, and the flank
model finds an optimum without a second track that explains a photo as well as one with it (a ghost of 0.4 hides in a
fill 0.2 lower and a count 2 % higher; what a ghost forced on the fit costs told 6 of 52). What tells is the look of the
mean diamond: the surface is folded on its own lines (`fold.py`) for five arcs of light and read by a small network
(`cell_reader.py`), over the whole length and over thirds of it, since a wheel may fall into its track halfway.

Families of diamonds and of single leaning lines on synthetic surfaces with their true outlines (seeds 1 to 3 of
`tests/bench/surfaces.py`; present above log odds of 1.2, the largest over the windows):

                        present   cannot tell   none in sight
    clean                  10          60           1,022
    ghost 0.15 to 0.3       0           8              10
    ghost 0.3 to 0.4       12          10              16
    ghost 0.4 to 0.6       55          10               8
    ghost 0.6 and more    134           4               2

Since then 1.5 is asked, and that Hough agrees on the lines: a quarter of the clean ones that were called doubled are
left out by it, and 4 doubled ones more cannot be told. Path-traced ones (0.4 over half the length to 0.6) have 1.6 to
4.6, clean ones -0.2 at most. In squares, whose rings are lit quite differently from the lines that they cross, 15 of
some 150 clean families have more than 1.2, up to 3.7: there 4 is asked, and 8 of 14 doubled ones are still seen, none
of the others taken for clean.

A stretch whose lines are fainter is no part of the fit, and may be so because of a second track: it is folded on the
lines that go on into it. Of 376 path-traced parts (`tests/bench/path_traced.py`, preset tracks), the worst family:

                     before: present, cannot tell, none      now
    clean                      0        43       176       0   45  174
    ghost under 0.4            2        17        13       2   20   10
    ghost 0.4 and more        67        35        23      78   38    9

Synthetic patterns with raised lips are left out of the table: of 40 families of such diamonds none is above, 8 between.

So a second track shallower than 0.4 is mostly overlooked. Where nothing is seen the ratio is given as 0 with an
uncertainty that holds because a wheel that misses its track cuts a second set of like depth (common practice), and
shallow ones are rare among all parts; the words say what may hide.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from photoscale.quantity import Quantity

from knurlsight.measuring.cell_reader import CellReading, read_cells
from knurlsight.measuring.flank_fit import DEAR_SHADING, Fit, cells_for, fit, shape_of, unexplained
from knurlsight.measuring.flanks import Knurl
from knurlsight.measuring.fold import Phases, folded, phases_of
from knurlsight.measuring.sightlines import Sightlines
from knurlsight.measuring.start import free_names, may_be_tied

ARCS_DEG = (-40.0, -20.0, 0.0, 20.0, 40.0)
HALF_ARC_DEG = 10.0
FEWEST_PITCHES = 3.0  # in a window: a third of the length, or half of a short one, half overlapping

PRESENT_ABOVE, PRESENT_IN_SQUARE_ABOVE = 1.5, 4.0  # log odds
CLEAN_BELOW = -0.5
U_CLEAN = 0.048  # standard; holds with a prior, see above
U_RATIO = 0.1
# of second tracks that stand out: a wheel that misses its track cuts a set of like depth (common practice), and shallow
# ones are not seen
USUAL_RATIO, U_USUAL_RATIO = 0.6, 0.25
U_OFFSET = 0.05
READABLE_BELOW = 0.6  # unexplained by the fit: above, the fold is smeared

UNCLEAR = "a second track can neither be seen nor excluded: count the lines with a lens, or light it from another side"
NONE_SEEN = "no second set of lines in sight (one under 0.4 as deep may hide)"


@dataclass(frozen=True)
class Ghost:
    """The verdict on one family's second track; `present` None when the photo cannot decide."""

    present: bool | None
    ratio: Quantity | None
    offset: Quantity | None
    extent: Quantity | None
    words: str
    log_odds: float | None = None


UNSURE = Ghost(None, None, None, None, UNCLEAR)
CLEAN = Ghost(False, Quantity(0.0, U_CLEAN), None, None, NONE_SEEN)


def ghosts_of(found: Fit, sight: Sightlines, faded: Sequence[Sightlines] = ()) -> tuple[Ghost, ...]:
    """One for each family of the fit.

    Parameters
    ----------
    found : Fit
        The fitted model, without ghosts.
    sight : Sightlines
        The patch that it was fitted to.
    faded : sequence of Sightlines
        Stretches of the zone that were left out of the fit since the lines are fainter there: a second track that
        ends halfway makes them so.
    """
    if not unexplained(found.knurl, sight, found.cells) < READABLE_BELOW:  # so that NaN is unclear
        return tuple(UNSURE for _ in found.knurl.families)
    patches = [sight, *(patch.about(sight.middle_z) for patch in faded)]
    stretches = [_Stretch(phases_of(found.knurl, patch), float(np.ptp(patch.z.mean(axis=0)))) for patch in patches]
    return tuple(_ghost(stretches, found, k) for k in range(len(found.knurl.families)))


def agreed(one: tuple[Ghost, ...], other: tuple[Ghost, ...]) -> tuple[Ghost, ...]:
    """The verdicts of two readings of the same families, each folded on lines of its own: the mean of their log odds.

    A fit whose lines drift against the true ones can feign a second track, where the other shows none.
    """
    return tuple(_both(a, b) for a, b in zip(one, other, strict=True))


def doubted(ghosts: tuple[Ghost, ...], below: float = float("inf")) -> tuple[Ghost, ...]:
    """Second tracks that were seen, but on lines that are themselves in doubt or not clearly: neither there nor not."""
    return tuple(
        replace(UNSURE, log_odds=g.log_odds) if g.present and (g.log_odds or 0.0) < below else g for g in ghosts
    )


def _both(a: Ghost, b: Ghost) -> Ghost:
    if a.log_odds is None or b.log_odds is None:
        return a if a.log_odds is None else b
    mean = (a.log_odds + b.log_odds) / 2
    if mean < CLEAN_BELOW:
        return replace(CLEAN, log_odds=mean)
    if mean < PRESENT_ABOVE:
        return replace(UNSURE, log_odds=mean)
    return replace(a if a.present else b, log_odds=mean)


@dataclass(frozen=True)
class _Stretch:
    """A stretch of the zone: phases of its samples, and how long it is, radii."""

    phases: Phases
    length: float


def _ghost(stretches: Sequence[_Stretch], found: Fit, family: int) -> Ghost:
    fitted, *faded = stretches
    whole = _read(fitted.phases, family)
    if whole is None:
        return UNSURE
    windows = [_read(fitted.phases.columns(part), family) for part in _windows(fitted.phases, found.knurl)] or [whole]
    parts = [(r, fitted.length / len(windows)) for r in windows if r is not None]
    parts += [(r, s.length) for s in faded if (r := _read(s.phases, family)) is not None]
    most = max(r.log_odds for r in (whole, *(r for r, _ in parts)))
    if most < CLEAN_BELOW:
        return replace(CLEAN, log_odds=most)
    if most < PRESENT_ABOVE:
        return replace(UNSURE, log_odds=most)
    return replace(_present(whole, parts), log_odds=most)


def _read(phases: Phases, family: int) -> CellReading | None:
    return read_cells(folded(phases, family, ARCS_DEG, HALF_ARC_DEG))


def _windows(phases: Phases, knurl: Knurl) -> list[slice]:
    columns = phases.inside.shape[1]
    turns = max((abs(float(t[t.shape[0] // 2, -1] - t[t.shape[0] // 2, 0])) for t in phases.turns), default=0.0)
    for pieces in (3, 2):
        length = columns // pieces
        if length >= 12 and (turns / pieces >= FEWEST_PITCHES or not any(g.along for g in knurl.families)):
            starts = [round(i * length / 2) for i in range(2 * pieces - 1)]
            return [slice(start, start + length) for start in starts]
    return []


def _present(whole: CellReading, parts: list[tuple[CellReading, float]]) -> Ghost:
    """`parts`: what each window says, and the length it stands for."""
    seen = [r for r, _ in parts if r.log_odds > 0] or [max((whole, *(r for r, _ in parts)), key=lambda r: r.log_odds)]
    ratio = float(np.clip(np.median([r.ratio for r in seen]), 0.05, 1.0))
    variance = U_RATIO**2 + float(np.median([r.u_ratio for r in seen])) ** 2
    weight = U_USUAL_RATIO**2 / (U_USUAL_RATIO**2 + variance)
    ratio, u_ratio = weight * ratio + (1 - weight) * USUAL_RATIO, float(np.sqrt(weight * variance))
    offset = float(np.clip(np.median([r.offset for r in seen]), 0.1, 0.5))
    doubled = sum(length for r, length in parts if r.log_odds > 0)
    extent = doubled / sum(length for _, length in parts) if doubled else 1.0
    part = "" if extent > 0.8 else f" over about {extent:.0%} of the length"
    return Ghost(
        True,
        Quantity(ratio, u_ratio),
        Quantity(offset, U_OFFSET),
        Quantity(min(1.0, extent), 0.15),
        f"a second set of lines between the first, about {ratio:.1f} as deep{part}",
    )


def fit_with_ghosts(found: Fit, ghosts: tuple[Ghost, ...], sight: Sightlines) -> Fit:
    """The fit again with the second tracks that were seen in it: without them the count comes out 2 % high.

    Only where the track runs along the whole zone; the side to which it is offset is tried out.

    Parameters
    ----------
    found : Fit
        Without ghosts.
    ghosts : tuple of Ghost
        One for each family, as `ghosts_of` gives them; their ratio and offset (pitches) are held.
    sight : Sightlines
    """
    sides = [
        (g.offset.value, 1 - g.offset.value)
        if g.present and g.offset and g.extent and g.extent.value > 0.8
        else (None,)
        for g in ghosts
    ]
    if all(side == (None,) for side in sides):
        return found
    knurl = found.knurl
    if may_be_tied(knurl):
        around = float(np.mean([g.around for g in knurl.families]))
        knurl = replace(knurl, families=tuple(replace(g, around=around) for g in knurl.families))
    names = free_names(knurl, tied=may_be_tied(knurl))
    straight = not any(g.along for g in knurl.families)
    cells = cells_for(sight, float(np.mean([g.pitch for g in knurl.families])), straight=straight)
    tried = []
    for offsets in itertools.product(*sides):
        families = tuple(
            g if offset is None or ghost.ratio is None else replace(g, ghost=ghost.ratio.value, offset=offset)
            for g, ghost, offset in zip(knurl.families, ghosts, offsets, strict=True)
        )
        tried.append(fit(replace(knurl, families=families), sight, cells, names, steps=8, shading=DEAR_SHADING))
    best = shape_of(min(tried, key=lambda f: f.cost), sight)
    # rivals of the count, which were looked at before, are none the less likely
    counts = {name for name in best.names if name[1] == "around"} & set(found.names)
    doubted = best.doubted({name: max(0.0, found.u(name) ** 2 - best.u(name) ** 2) for name in counts})
    return replace(doubted, rival=found.rival)
