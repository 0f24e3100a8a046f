"""What a summary needs of each part: one flat record, taken from its result file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from knurlsight.batch.job import Row
from knurlsight.verdict import FIGURE_WORDS, HAND_WORDS


@dataclass(frozen=True)
class Figure:
    """One figure of one part, with the limits it was held against (None: open, or not judged)."""

    name: str
    value: float
    u: float
    unit: str
    nominal: float | None = None
    lower: float | None = None
    upper: float | None = None


@dataclass(frozen=True)
class PartLine:
    """One part of a batch.

    Attributes
    ----------
    id, photo : str
    verdict : str or None
        As in `Row`, or ``"missing"``.
    why : tuple of str
    taken_at : str or None
        ISO 8601, as the camera's clock had it.
    figures : tuple of Figure
    failed : tuple of str
        What failed: names of checks without their family, and kinds of faults.
    untold : tuple of str
        What could not be told.
    causes : tuple of str
    zone_px : tuple of (float, float)
        Corners of the knurled zone; empty where there is none.
    """

    id: str
    photo: str
    verdict: str | None
    why: tuple[str, ...] = ()
    taken_at: str | None = None
    figures: tuple[Figure, ...] = ()
    failed: tuple[str, ...] = ()
    untold: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    zone_px: tuple[tuple[float, float], ...] = ()


def line_of_row(row: Row) -> PartLine:
    """The line of one row of a batch."""
    photo = row.photos[0] if row.photos else ""
    if row.result is None:
        return PartLine(row.id, photo, row.verdict, (row.error,) if row.error else ())
    parts = row.result["parts"]
    if not parts:
        return PartLine(row.id, photo, row.verdict, tuple(row.result["reasons"]), _taken_at(row.result))
    return _line(row.id, photo, row.verdict, parts[0], _taken_at(row.result))


def lines_of_tray(result: Mapping[str, Any], photo: str, missing: Sequence[tuple[str, str]] = ()) -> list[PartLine]:
    """Lines of all parts of a tray's result, and of those that are missing (id, why)."""
    lines = [_line(part["id"], photo, part["verdict"], part, _taken_at(result)) for part in result["parts"]]
    return lines + [PartLine(part_id, photo, "missing", (why,)) for part_id, why in missing]


def _taken_at(result: Mapping[str, Any]) -> str | None:
    return result["photos"][0]["taken_at"] if result["photos"] else None


def _line(part_id: str, photo: str, verdict: str | None, part: Mapping[str, Any], taken_at: str | None) -> PartLine:
    checks = part["checks"]
    figures = {
        c["name"]: _figure(c["name"], c["measured"], c["nominal"], c["lower"], c["upper"])
        for c in checks
        if c["measured"] is not None
    }
    for name, q in _unjudged(part):
        if q is not None:
            figures.setdefault(name, _figure(name, q))
    failed = [short(c["name"]) for c in checks if c["verdict"] == "fail"]
    failed += [f["kind"].replace("_", " ") for f in part["faults"]]
    return PartLine(
        part_id,
        photo,
        verdict,
        tuple(part["reasons"]),
        taken_at,
        tuple(figures.values()),
        tuple(dict.fromkeys(failed)),
        tuple(dict.fromkeys(short(c["name"]) for c in checks if c["verdict"] == "cannot_tell")),
        tuple(dict.fromkeys(c["cause"] for c in part["causes"])),
        tuple((float(x), float(y)) for x, y in part["zone_px"]),
    )


def _figure(
    name: str,
    q: Mapping[str, Any],
    nominal: float | None = None,
    lower: float | None = None,
    upper: float | None = None,
) -> Figure:
    return Figure(name, q["value"], q["u"], q["unit"], nominal, lower, upper)


def _unjudged(part: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any] | None]]:
    """Figures by the names that their checks would have."""
    named: list[tuple[str, Mapping[str, Any] | None]] = []
    for family in part["families"]:
        of = f"of the {HAND_WORDS[family['hand']]} family"
        named.append((f"{FIGURE_WORDS['pitch']} {of}", family["normal_pitch"]))
        if family["hand"] in ("left", "right"):
            named.append((f"{FIGURE_WORDS['helix']} {of}", family["helix_angle"]))
    for key, field in (
        ("included_angle", "included_angle"),
        ("balance", "balance"),
        ("form_fill", "form_fill"),
        ("outside_diameter", "outside_diameter"),
        ("knurl_length", "knurled_length"),
        ("full_form_length", "full_form_length"),
    ):
        named.append((FIGURE_WORDS[key], part[field]))
    return named


def short(name: str) -> str:
    """A check's name without its family or end: what a Pareto counts."""
    return name.split(" of the ")[0].split(" at end ")[0].split(", ")[0] if "two families" not in name else name
