"""Double tracking: is there a second set of grooves between the first, and how deep.

Harmonics are not double tracking: sharp crests, lands, raised lips and shading all double the frequency. Nor does a
free ghost in the flank model tell: with or without one, the model finds an optimum that explains a photo as well (a
ghost of 0.4 hides in a fill 0.2 lower and a count 2 % higher). What tells is how badly a photo takes a ghost that is
*forced* on it, with everything but the lines held: a clean family then leaves 1.3 to 4 times as much unexplained, a
doubled one hardly more. Measured on the families of the path-traced photos (ghost 0.5, offset near a half):

    clean, fill under 0.78        1.29 to 4.1          clean, fill over 0.78         1.16 to 1.8
    doubled by 0.55 to 0.6        1.03 to 1.16         half its length, by 0.4       1.16 to 1.28

So a double track is claimed only where the fit looks shallow *and* a ghost costs little, and not where the model
explains the photo poorly, for there nothing forced on it costs much (a clean microscope view: unexplained 0.49, cost
1.16).

That finds few, and never shows that a family is clean: on random synthetic patterns with true outlines 69 of 147
families doubled by 0.3 or more cost as much as clean ones, also such as are plainly doubled to the eye (costs 0.8 to
8.7; clean ones overlap). So where nothing is claimed the answer is *cannot tell* and there is no figure. A claimed
ratio reads low (errors -0.48 to +0.02 in 12 claims).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from photoscale.quantity import Quantity

from knurlsight.flanks import TIED, Cells, Fit, Knurl, fit, unexplained
from knurlsight.sightlines import Sightlines
from knurlsight.start import free_names

FORCED = 0.5
OFFSETS = (0.42, 0.58)
PRESENT_BELOW, PRESENT_FILL = 1.2, 0.7
HOPELESS_BELOW = 1.1
PRESENT_UNEXPLAINED = 0.35  # a cost means little where much is unexplained anyway
DEPTHS = (0.3, 0.45, 0.6, 0.75, 0.9)
U_GHOST = 0.15
WEAK = 0.6  # of the deeper family: a shallow family's crest says little

UNCLEAR = "no second track was made out, but one photo does not exclude it: count the lines with a lens"


@dataclass(frozen=True)
class Ghost:
    """The verdict on one family's second track; `present` None when the photo cannot decide."""

    present: bool | None
    ratio: Quantity | None
    offset: Quantity | None
    extent: Quantity | None
    words: str


def ghosts_of(found: Fit, sight: Sightlines) -> tuple[Ghost, ...]:
    """One for each family of the fit.

    Parameters
    ----------
    found : Fit
        The fitted model, without ghosts.
    sight : Sightlines
        The patch that it was fitted to.
    """
    thin = sight.cut(slice(None), slice(None, None, 2)) if sight.theta.shape[1] > 240 else sight
    if thin is not sight:
        # every other column: what changes along the columns changes twice as fast
        thin = replace(thin, theta_u=2 * thin.theta_u, z_u=2 * thin.z_u)
    rows, cols = thin.theta.shape
    cells = Cells(min(found.cells.down, max(2, rows // 8)), min(found.cells.across, max(1, cols // 24)))
    lines = free_names(found.knurl, shape=False, tied=TIED in found.names)
    base = fit(found.knurl, thin, cells, lines, steps=3)
    depths = [g.depth(found.knurl.profile_angle_deg) for g in found.knurl.families]
    out = []
    for k in range(len(found.knurl.families)):
        forced = min(
            (fit(_with_ghost(base.knurl, k, FORCED, o), thin, cells, lines, steps=2) for o in OFFSETS),
            key=lambda f: f.unexplained,
        )
        cost = forced.unexplained / max(base.unexplained, 1e-6)
        out.append(_judge(base, forced, k, cost, depths[k] < WEAK * max(depths), thin, cells))
    return tuple(out)


def _judge(base: Fit, forced: Fit, family: int, cost: float, weak: bool, sight: Sightlines, cells: Cells) -> Ghost:
    groove = base.knurl.families[family]
    unclear = Ghost(None, None, None, None, UNCLEAR)
    straight = not any(g.along for g in base.knurl.families)
    # written so that NaN claims nothing
    claimed = (
        HOPELESS_BELOW <= cost < PRESENT_BELOW
        and groove.fill < PRESENT_FILL
        and base.unexplained <= PRESENT_UNEXPLAINED
        and not weak
        and not straight  # a strip shows one groove: shading explains any ghost
    )
    if not claimed:
        return unclear
    tried = {
        (depth, offset): unexplained(_with_ghost(forced.knurl, family, depth, offset), sight, cells)
        for depth in DEPTHS
        for offset in OFFSETS
    }
    depth, offset = min(tried, key=lambda key: tried[key])
    words = f"a second set of lines between the first, about {depth:.2f} as deep"
    away = Quantity(min(offset, 1 - offset), 0.06)
    return Ghost(True, Quantity(depth, U_GHOST * (1 if depth < 0.8 else 1.3)), away, None, words)


def _with_ghost(knurl: Knurl, family: int, ghost: float, offset: float) -> Knurl:
    families = list(knurl.families)
    families[family] = replace(families[family], ghost=ghost, offset=float(np.clip(offset, 0.12, 0.88)))
    return replace(knurl, families=tuple(families))
