"""Test cuts side by side: which settings differ, what that did to the figures, and which of it is more than doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from photoscale.quantity import Quantity

from knurlsight.errors import ExchangeError
from knurlsight.exchange.effects import Effects, Level, effects
from knurlsight.exchange.inspected import Inspected, check_name, part_figures
from knurlsight.verdict import FIGURE_WORDS

if TYPE_CHECKING:
    from knurlsight.result import PartRecord
    from knurlsight.setup_math.setup_model import Setup

Better = Literal["better", "worse", "different", ""]

#: Figures that the effects of a series are worked out for.
STUDIED = (
    "form fill",
    "balance",
    "double tracking",
    "normal pitch",
    "run-in",
    "outside diameter",
    "length of full form",
)
RISING = ("form fill", "balance", FIGURE_WORDS["full_form_length"], "strength")
FALLING = (FIGURE_WORDS["ghost_ratio"], FIGURE_WORDS["run_in"])
#: Parts of the setup that act on the cut; what is wanted does not.
ACTING = ("part", "wheel", "holder", "process")
NOT_ACTING = ("name", "number", "outside_diameter", "label_of_drawing")


@dataclass(frozen=True)
class Cut:
    """One part of one inspection, and how it was made.

    Attributes
    ----------
    name : str
        ``"1"``, ``"2"`` … in the order given.
    title : str
        Which part that is: entry, serial, place in the tray.
    done : Inspected
    part : PartRecord
    settings : mapping
        What acts on the cut, by name; lengths in mm.
    """

    name: str
    title: str
    done: Inspected
    part: PartRecord
    settings: dict[str, Level]


@dataclass(frozen=True)
class Difference:
    """A figure of one cut against the first: the difference, whether it exceeds the doubt, and whether it is good."""

    quantity: Quantity
    exceeds: bool
    better: Better


@dataclass(frozen=True)
class FigureRow:
    """One figure over all cuts; None where it was not measured, and against the first."""

    name: str
    figures: tuple[Quantity | None, ...]
    differences: tuple[Difference | None, ...]


@dataclass(frozen=True)
class Comparison:
    """Cuts side by side.

    Attributes
    ----------
    cuts : tuple of Cut
    settings : tuple of (str, tuple of str)
        Those that differ: name, and its value for every cut.
    rows : tuple of FigureRow
    effects : tuple of (str, Effects)
        By figure; of a series of three cuts or more.
    notes : tuple of str
    """

    cuts: tuple[Cut, ...]
    settings: tuple[tuple[str, tuple[str, ...]], ...]
    rows: tuple[FigureRow, ...]
    effects: tuple[tuple[str, Effects], ...]
    notes: tuple[str, ...]


def compare(inspections: Sequence[Inspected]) -> Comparison:
    """Set the parts of some inspections side by side, each against the first.

    Raises
    ------
    ExchangeError
        There are fewer than two parts with a pattern.
    """
    cuts = _cuts(inspections)
    if len(cuts) < 2:
        raise ExchangeError(
            f"{len(cuts)} part with a pattern cannot be compared; two are needed", hint="knurlsight job show lists them"
        )
    measured = [part_figures(cut.part) for cut in cuts]
    names = list(dict.fromkeys(name for figures in measured for name in figures))
    rows = tuple(_row(name, [figures.get(name) for figures in measured], cuts) for name in names)
    differ = [
        n for n in dict.fromkeys(n for c in cuts for n in c.settings) if len({c.settings.get(n) for c in cuts}) > 1
    ]
    settings = tuple((n, tuple(_level(c.settings.get(n)) for c in cuts)) for n in differ)
    studied: list[tuple[str, Effects]] = []
    if len(cuts) > 2 and differ:
        chosen = [{n: c.settings[n] for n in differ if n in c.settings} for c in cuts]
        studied = [(row.name, effects(chosen, row.figures)) for row in rows if row.name.startswith(STUDIED)]
    return Comparison(cuts, settings, rows, tuple(studied), _notes(rows, settings, bool(studied)))


def _cuts(inspections: Sequence[Inspected]) -> tuple[Cut, ...]:
    cuts: list[Cut] = []
    for done in inspections:
        for part in done.result.parts:
            if part.form is None:
                continue
            title = [f"entry {done.entry}" if done.entry else "", f"serial {done.serial}" if done.serial else ""]
            title.append(f"part {part.id}" if len(done.result.parts) > 1 else "")
            words = ", ".join(t for t in title if t) or done.result.photos[0].file
            cuts.append(Cut(str(len(cuts) + 1), words, done, part, settings_of(done)))
    return tuple(cuts)


def settings_of(done: Inspected) -> dict[str, Level]:
    """What acts on a cut, from its setup and from the bench, by name; lengths in mm, angles in degrees."""
    from knurlsight.errors import SetupError
    from knurlsight.setup_math.setup import setup_from_document

    found: dict[str, Level] = {}
    if done.result.setup is not None:
        try:
            found = _setup_settings(setup_from_document(done.result.setup.content))
        except SetupError:  # of another version: its words still tell what differs
            content = done.result.setup.content
            for section in ACTING:
                tables = content.get(section) or []
                for table in tables if isinstance(tables, list) else [tables]:
                    found |= {f"[{section}] {key}": str(value) for key, value in table.items()}
    blank = done.bench.get("blank_diameter_mm")
    if blank is not None:
        found["blank diameter by micrometer, mm"] = float(blank)
    dial = done.bench.get("dial_readings_mm") or ()
    if dial:
        found["last dial reading, mm"] = float(dial[-1])
    if done.machine:
        found["machine"] = done.machine
    return found


def _setup_settings(setup: Setup) -> dict[str, Level]:
    found: dict[str, Level] = {}
    sections = [("part", setup.part), ("holder", setup.holder), ("process", setup.process)]
    sections += [(f"wheel {i}" if len(setup.wheels) > 1 else "wheel", w) for i, w in enumerate(setup.wheels, 1)]
    for section, table in sections:
        for field, info in type(table).model_fields.items():
            value = getattr(table, field)
            key = info.alias or field
            if value is None or (section == "part" and key in NOT_ACTING):
                continue
            unit = ", mm" if field.endswith("_mm") else ", deg" if field.endswith("_deg") else ""
            name = f"[{section}] {key}{unit}"
            if isinstance(value, int | float) and not isinstance(value, bool):
                found[name] = float(value)
            else:
                found[name] = str(getattr(value, "words", value))
    return found


def _level(value: Level | None) -> str:
    if value is None:
        return "not stated"
    return value if isinstance(value, str) else f"{value:g}"


def _row(name: str, figures: Sequence[Quantity | None], cuts: Sequence[Cut]) -> FigureRow:
    first = figures[0]
    nominal = next((c.nominal for cut in cuts for c in cut.part.checks if check_name(c) == name), None)
    differences: list[Difference | None] = [None]
    for figure in figures[1:]:
        if first is None or figure is None:
            differences.append(None)
            continue
        change = Quantity(figure.value - first.value, math.hypot(figure.u, first.u), figure.unit)
        # a scale that states no uncertainty leaves every difference open
        exceeds = figure.u > 0 and first.u > 0 and abs(change.value) > 2 * change.u
        better = _better(name, first.value, figure.value, nominal) if exceeds else ""
        differences.append(Difference(change, exceeds, better))
    return FigureRow(name, tuple(figures), tuple(differences))


def _better(name: str, before: float, after: float, nominal: float | None) -> Better:
    if name.startswith(RISING):
        return "better" if after > before else "worse"
    if name.startswith(FALLING):
        return "better" if after < before else "worse"
    if nominal is None or abs(after - nominal) == abs(before - nominal):
        return "different"
    return "better" if abs(after - nominal) < abs(before - nominal) else "worse"


def _notes(rows: Sequence[FigureRow], settings: Sequence[object], studied: bool) -> tuple[str, ...]:
    count = sum(d is not None for row in rows for d in row.differences)
    notes = [
        f"A difference is marked where it exceeds twice its standard uncertainty; of {count} differences about "
        f"{max(1, round(0.05 * count))} would do so by chance.",
        "The uncertainties of two cuts are taken as independent; one rule or caliper for both makes the true doubt "
        "of a difference smaller.",
    ]
    if not settings:
        notes.append("No setting that is written down differs: what differs is scatter, or was not written down.")
    if studied:
        notes.append(
            "Effects are 95 % intervals of a straight-line sum; settings that act on each other, or that act most in "
            "the middle of their range, are not seen so."
        )
    return tuple(notes)
