"""An insert for a tray, to print on stiff paper and fold: V-grooves in which round parts do not roll, places named.

In a groove of 90° a bar of diameter D touches both walls D/2 from the bottom, so its axis is D/√2 above it, and the
plane on which the bar would lie otherwise D/√2 - D/2 = 0.207 D. A card on the land between grooves is higher than that
plane by the groove's depth and its own thickness, less 0.207 D: what `--scale-height` asks for.
"""

from __future__ import annotations

import math

from photoscale.card_print import PAPERS, Caption, Paper, Rectangle, Sheet
from photoscale.words import CARD_HEIGHT_MM

WALL_MM = 12.0  # of a groove, before folding
LAND_MM = 14.0  # between grooves, where the names are
GROOVES, PLACES = 6, 3
LINE_MM, DASH_MM = 0.2, 3.0
SIDE_MM = 15.0  # free at both sides
TOP_MM = 44.0
DEPTH_MM = WALL_MM / math.sqrt(2)
WIDEST_MM = 2 * WALL_MM  # touches the upper rims


def tray_sheet(paper: Paper = "a4") -> Sheet:
    """Fold lines (solid: away from you, dashed: towards you) and the names A1, A2, … of the places."""
    page_w, page_h = PAPERS[paper]
    length = page_w - 2 * SIDE_MM
    lines, captions = [], []
    for g in range(GROOVES):
        top = TOP_MM + g * (LAND_MM + 2 * WALL_MM)
        first = top + LAND_MM
        lines += [Rectangle(SIDE_MM, y - LINE_MM / 2, length, LINE_MM) for y in (first, first + 2 * WALL_MM)]
        bottom = first + WALL_MM
        lines += [
            Rectangle(SIDE_MM + 2 * DASH_MM * k, bottom - LINE_MM / 2, DASH_MM, LINE_MM)
            for k in range(int(length / (2 * DASH_MM)))
        ]
        captions += [
            Caption(SIDE_MM + (p + 0.5) * length / PLACES - 4, top + LAND_MM / 2 + 2.5, 5.0, f"{chr(65 + g)}{p + 1}")
            for p in range(PLACES)
        ]
    high = DEPTH_MM + CARD_HEIGHT_MM[0]
    apart = LAND_MM + math.sqrt(2) * WALL_MM
    words = (
        "Stiff paper, printed at 100 %. Solid lines: fold away from you; dashed: towards you, to a square corner.",
        f"Glue the dashed folds to a flat board, {apart:.1f} mm apart; the lands with the names then stand above it.",
        f"For parts of up to {WIDEST_MM:.0f} mm. The card lies across the lands, higher than the parts: without od:",
        f"type  --scale-height Hmm  with H = {high:.2f} - 0.207 x diameter in mm.",
    )
    captions.append(Caption(SIDE_MM, 18, 5.0, "Tray insert"))
    captions += [Caption(SIDE_MM, 25 + 5 * k, 2.4, line) for k, line in enumerate(words)]
    return Sheet(page_w, page_h, tuple(lines), tuple(captions))
