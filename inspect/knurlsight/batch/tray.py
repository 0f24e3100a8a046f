"""Many parts in one photo: every one measured at its own height, named by its place in the tray."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Future, as_completed
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.card import CardReading
from photoscale.photo import Photo
from photoscale.reading import Reading, each_reading

from knurlsight.batch.tray_file import TrayFile
from knurlsight.batch.tray_places import place_key, placed, places, places_px
from knurlsight.bug_report import bug_words
from knurlsight.inspection import (
    Absent,
    Inspection,
    PartInspection,
    ScaleRequest,
    assemble,
    camera_of,
    judge_part,
    lies_on,
    marks_px,
    measure_outline,
    nothing_found,
    scale_and_parts,
)
from knurlsight.measuring import trace
from knurlsight.model import Outline, unmeasured
from knurlsight.setup_math.expected import expectation
from knurlsight.setup_math.setup_model import Setup
from knurlsight.side_by_side import Submits, in_turn, side_by_side
from knurlsight.verdict import Verdict

Array = NDArray[np.float64]
#: Two things in one place: the worse one is not there.
MOST_OVERLAP = 0.15
#: A thread or spigot on the axis of a knurl is no part of its own: so thin, in widths of the knurl.
THIN_STRETCH = 0.6
#: Parts of one setup are alike; one that looks so much thinner or thicker is not the part, or only a piece of it.
MOST_UNLIKE = 1.3
LEAST_ALIKE = 4

UNCERTAIN = (
    "which place each part has cannot be told: the parts fit the tray file in more than one way or in none; fill the "
    'rows at the edge, or lay the card beside the tray and say top = "card" in its file'
)


@dataclass(frozen=True)
class Named:
    """A part found: its name, what was wanted of it, and why it cannot be judged (empty when it can)."""

    id: str
    outline: Outline
    setup: Setup | None
    doubt: str = ""


def inspect_tray(
    photo: Photo,
    setup: Setup | None = None,
    scale: ScaleRequest | None = None,
    executor: Submits | None = None,
    tray: TrayFile | None = None,
    each: Callable[[PartInspection, int], None] = lambda part, of: None,
) -> Inspection:
    """Inspect every knurled part in one photo.

    Parameters
    ----------
    photo : Photo
    setup : Setup, optional
        Of all parts for which the tray file names none.
    scale : ScaleRequest, optional
        One scale serves all parts; each gets its own correction for height and distance.
    executor : Submits, optional
        Finds and measures parts side by side; without one this is done in turn.
    tray : TrayFile, optional
        Names the places; without it names follow rows and order.
    each : callable
        Is given every part as it is done, and how many there are.
    """
    request = scale or ScaleRequest()
    basis = expectation(setup) if setup is not None else None
    camera = camera_of(photo, request)
    look = in_turn if executor is None else partial(side_by_side, executor)
    reading, no_scale, found = scale_and_parts(photo, request, camera, None, look)
    drawn_px = marks_px(reading) if reading is not None and request.photo is None else np.empty((0, 2))
    outlines = standing_apart(found, drawn_px)
    named, doubts = name_parts(outlines, reading, setup, tray)
    if not named:
        empty = nothing_found([photo], setup, basis, photo.notes, drawn_px)
        return _with_doubts(empty, [*doubts, *missing(tray, ())])
    inspect_one = partial(_inspect_one, photo=photo, camera=camera, reading=reading, no_scale=no_scale, request=request)
    parts = _all_parts(inspect_one, named, executor, each)
    notes = list(photo.notes)
    if tray is not None and any(n.setup is not None and n.setup is not setup for n in named):
        of = {n.id: n.setup.part.name or n.setup.content_hash for n in named if n.setup is not None}
        notes.append("setups by place: " + ", ".join(f"{part} {what}" for part, what in of.items()))
    whole = assemble([photo], parts, setup, basis, notes, drawn_px)
    if whole.verdict == "cannot_tell" and setup is not None and not any(p.verdict for p in parts):
        whole = replace(whole, reasons=())
    if tray is not None and not doubts:
        whole = replace(whole, absent=absent(tray, named))
    return _with_doubts(whole, [*doubts, *missing(tray, [p.id for p in parts]) * (not doubts)])


def _with_doubts(inspection: Inspection, doubts: Sequence[str]) -> Inspection:
    """Parts that are missing or stand nowhere keep the tray from passing; a fail stays a fail."""
    if not doubts:
        return inspection
    verdict: Verdict = "fail" if inspection.verdict == "fail" else "cannot_tell"
    return replace(inspection, verdict=verdict, reasons=(*inspection.reasons, *doubts))


def missing(tray: TrayFile | None, ids: Sequence[str]) -> list[str]:
    """A line for every part that the tray file expects and that is not among those found."""
    return [
        f"{place.part}: missing, no part was found at place {place.name}"
        for place in (tray.places if tray is not None else ())
        if place.part and place.part not in ids
    ]


def absent(tray: TrayFile, named: Sequence[Named]) -> tuple[Absent, ...]:
    """Where the parts that are missing should lie, by where the others do; none when two others are not there."""
    index = {place.part: number for number, place in enumerate(tray.places) if place.part}
    seated = [(index[n.id], trace.zone_corners(n.outline).mean(axis=0)) for n in named if n.id in index]
    found = places_px([place.at for place in tray.places], seated)
    if found is None:
        return ()
    at, radius = found
    here = {number for number, _ in seated}
    return tuple(
        Absent(part, (float(at[number, 0]), float(at[number, 1])), radius)
        for part, number in index.items()
        if number not in here
    )


def level_of(reading: Reading | None) -> float | None:
    """Direction (rad) in the photo in which the print on the card runs; None without a card."""
    card = next((one for one in each_reading(reading) if isinstance(one, CardReading)), None)
    if card is None:
        return None
    mm = np.column_stack([card.points_mm, np.ones(len(card.points_mm))])
    chart, *_ = np.linalg.lstsq(mm, card.points_px, rcond=None)
    return float(np.arctan2(chart[0, 1], chart[0, 0]))


def name_parts(
    outlines: Sequence[Outline], reading: Reading | None, setup: Setup | None, tray: TrayFile | None
) -> tuple[list[Named], list[str]]:
    """Names of the parts in reading order, and what is to be said of the tray as a whole.

    A card in the photo says which way is level, so that the names stay as they are when the camera is turned; without
    one the photo does.
    """
    level = level_of(reading)
    centres = [trace.zone_corners(o).mean(axis=0) for o in outlines]
    by_rows = places(centres, level or 0.0)
    order = sorted(range(len(outlines)), key=lambda i: place_key(by_rows[i]))
    if tray is None:
        alike = unlike([outlines[i] for i in order]) if setup is not None else [""] * len(order)
        return [Named(by_rows[i], outlines[i], setup, why) for i, why in zip(order, alike, strict=True)], []
    by_card = tray.top == "card"
    layout, wanted = [p.at for p in tray.places], [bool(p.part) for p in tray.places]
    placing = placed(layout, wanted, centres, (level or 0.0) if by_card else 0.0)
    if outlines and (not placing.certain or (by_card and level is None)):
        words = UNCERTAIN
        if by_card and level is None:
            words = "which place each part has cannot be told: the tray file goes by the card, and no card was found"
        return [Named(by_rows[i], outlines[i], None, words) for i in order], [words]
    named, extra = [], 0
    for i in order:
        index = placing.of_part[i]
        place = tray.places[index] if index is not None else None
        if place is not None and place.part:
            named.append(Named(place.part, outlines[i], place.setup or setup))
        else:
            extra += 1
            where = f"at place {place.name}, which should be empty" if place is not None else "at no place of the tray"
            named.append(Named(f"extra {extra}", outlines[i], None, f"extra: lies {where}"))
    seat = {place.part: number for number, place in enumerate(tray.places)}
    return sorted(named, key=lambda n: seat.get(n.id, len(seat))), []


def unlike(outlines: Sequence[Outline]) -> list[str]:
    """For each of some parts that should be alike why it can be none of them; empty words where it can."""
    widths = np.array([np.linalg.norm(o.edges_px[0].mean(axis=0) - o.edges_px[1].mean(axis=0)) for o in outlines])
    if len(widths) < LEAST_ALIKE:
        return [""] * len(widths)
    shares = widths / np.median(widths)
    return [
        ""
        if 1 / MOST_UNLIKE < share < MOST_UNLIKE
        else f"looks {100 * share:.0f} % as thick as the other parts: another part, or its edges were not found"
        for share in shares
    ]


def _all_parts(
    inspect_one: Callable[[Named], PartInspection],
    named: Sequence[Named],
    executor: Submits | None,
    each: Callable[[PartInspection, int], None],
) -> list[PartInspection]:
    done: dict[int, PartInspection] = {}

    def keep(number: int, part: PartInspection) -> None:
        done[number] = part
        each(part, len(named))

    if executor is None:
        for number, one in enumerate(named):
            keep(number, inspect_one(one))
    else:
        futures = {_submitted(executor, inspect_one, one): number for number, one in enumerate(named)}
        for future in as_completed(futures):
            number = futures[future]
            try:
                keep(number, future.result())
            except BrokenExecutor:
                keep(number, _not_measured(named[number], "a worker was ended from outside while it measured the tray"))
    return [done[number] for number in range(len(named))]


def _submitted(executor: Submits, work: Callable[[Any], Any], thing: Any) -> Future[Any]:
    try:
        return executor.submit(work, thing)
    except BrokenExecutor as e:  # since before
        failed: Future[Any] = Future()
        failed.set_exception(e)
        return failed


def _inspect_one(
    named: Named, photo: Photo, camera: Camera, reading: Reading | None, no_scale: str, request: ScaleRequest
) -> PartInspection:
    """One part of the tray, measured and judged; runs in a worker. A bug of ours costs this part, not the tray."""
    basis = expectation(named.setup) if named.setup is not None else None
    try:
        pattern, scale, no_lengths = measure_outline(photo, named.outline, camera, reading, no_scale, request, basis)
        part = judge_part(named.id, pattern, scale, no_lengths, named.setup, basis)
    except MemoryError:
        return _not_measured(named, "the machine ran out of memory")
    except Exception as e:
        return _not_measured(named, bug_words(e))
    if named.doubt:
        # what it is was not made out, so nothing is failed or passed for it
        return replace(part, verdict="cannot_tell", reasons=(named.doubt,), causes=())
    return part


def _not_measured(named: Named, why: str) -> PartInspection:
    return PartInspection(named.id, unmeasured(named.outline, why), None, why, verdict="cannot_tell", reasons=(why,))


def standing_apart(outlines: Sequence[Outline], scale_px: Array) -> list[Outline]:
    """Parts that can lie side by side: none over the scale or a better one, none a thin stretch of a better one.

    Parameters
    ----------
    outlines : sequence of Outline
        Best first.
    scale_px : (n, 2) array
        Marks of the scale found.
    """
    kept: list[Outline] = []
    zones: list[NDArray[np.float32]] = []
    for outline in outlines:
        if lies_on(outline, scale_px):
            continue
        zone = trace.zone_corners(outline).astype(np.float32)
        covered = [cv2.pointPolygonTest(zone, (float(x), float(y)), False) >= 0 for x, y in scale_px]
        if covered and np.mean(covered) > MOST_OVERLAP:
            continue
        if any(_overlap(zone, other) > MOST_OVERLAP for other in zones):
            continue
        kept.append(outline)
        zones.append(zone)
    return [o for i, o in enumerate(kept) if not any(_stretch_of(o, clearer) for clearer in kept[:i])]


def _stretch_of(thin: Outline, thick: Outline) -> bool:
    """Whether a supposed part is a thin stretch of another's workpiece, such as its thread: on its axis, next to it."""
    a, b = (o.edges_px for o in (thin, thick))
    width_a, width_b = (float(np.hypot(*(e[1] - e[0]).mean(axis=0))) for e in (a, b))
    if width_a > THIN_STRETCH * width_b:
        return False
    along = (b[:, 1] - b[:, 0]).mean(axis=0)
    length = float(np.hypot(*along))
    apart = a.mean(axis=(0, 1)) - b.mean(axis=(0, 1))
    off_axis = abs(float(apart[0] * along[1] - apart[1] * along[0])) / length
    half_lengths = (length + float(np.hypot(*(a[:, 1] - a[:, 0]).mean(axis=0)))) / 2
    return off_axis < 0.25 * width_b and abs(float(apart @ along)) / length < half_lengths + width_b


def _overlap(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Area common to two zones over that of the smaller."""
    common, _ = cv2.intersectConvexConvex(a, b)
    smaller = min(cv2.contourArea(a), cv2.contourArea(b))
    return float(common / smaller) if smaller > 0 else 1.0
