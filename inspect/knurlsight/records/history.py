"""What was changed between one inspection of a job and the next, and what it did to the figures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from photoscale.quantity import Quantity

from knurlsight.exchange.inspected import part_figures, read_result
from knurlsight.records.chain import Entry
from knurlsight.records.corrections import as_corrected

#: Facts from the bench that are settings: they can change what comes out.
BENCH_SETTINGS = ("machine", "holder", "bar_lot", "dial_readings_mm", "blank_diameter_mm")
#: Figures that follow from others, or say the same of one family.
_LESSER = ("transverse pitch", "axial pitch", "strength", "form fill of")
#: Names of the part: they change nothing on it.
_NAMES = ("[part] name", "[part] number")
COVERAGE = 2.0


@dataclass(frozen=True)
class Setting:
    """A value that was changed; empty where it was not stated."""

    name: str
    was: str
    now: str


@dataclass(frozen=True)
class Effect:
    """A figure that differs by more than the uncertainty of the difference (k = 2)."""

    name: str
    was: Quantity
    now: Quantity

    @property
    def difference(self) -> Quantity:
        """With its standard uncertainty; errors common to both photos would make it smaller."""
        return Quantity(self.now.value - self.was.value, math.hypot(self.was.u, self.now.u), self.now.unit)


@dataclass(frozen=True)
class Step:
    """From one inspection to the next of the same operation.

    Attributes
    ----------
    before, number : int
        Entries.
    settings : tuple of Setting
    effects : tuple of Effect
        Figures that clearly changed; of parts that are alone on their photos.
    compared : int
        How many figures both have with an uncertainty; 0 where nothing can be said.
    verdicts : (str, str)
    """

    before: int
    number: int
    settings: tuple[Setting, ...]
    effects: tuple[Effect, ...]
    compared: int
    verdicts: tuple[str, str]


def steps(written: Sequence[Entry]) -> tuple[Step, ...]:
    """The steps of a job, in order; withdrawn inspections are left out, corrected values count.

    Raises
    ------
    ExchangeError
        A result of another version than this program knows.
    """
    last: dict[str, Entry] = {}
    made = []
    for current in as_corrected(written):
        entry = current.entry
        if entry.kind != "inspection" or current.withdrawn:
            continue
        if entry.op in last:
            made.append(step(last[entry.op], entry))
        last[entry.op] = entry
    return tuple(made)


def step(before: Entry, after: Entry) -> Step:
    """What changed between two inspections."""
    was, now = settings_of(before.body), settings_of(after.body)
    changed = [
        Setting(key, was.get(key, ""), now.get(key, "")) for key in {**was, **now} if was.get(key) != now.get(key)
    ]
    old, new = _figures(before), _figures(after)
    both = [Effect(name, old[name], new[name]) for name in old if name in new and old[name].u > 0 and new[name].u > 0]
    clear = [e for e in both if abs(e.difference.value) > COVERAGE * e.difference.u]
    return Step(before.number, after.number, tuple(changed), tuple(clear), len(both), (before.verdict, after.verdict))


def settings_of(body: Mapping[str, Any]) -> dict[str, str]:
    """What an inspection's setup and the facts from the bench state, by name."""
    setup = body["result"].get("setup") or {}
    bench = body.get("bench") or {}
    found = {key: value for key, value in _flat(setup.get("content") or {}, "") if key not in _NAMES}
    for key in BENCH_SETTINGS:
        if bench.get(key):
            unit = " mm" if key.endswith("_mm") else ""
            values = bench[key] if isinstance(bench[key], list) else [bench[key]]
            words = ", ".join(f"{v:g}" if isinstance(v, float) else str(v) for v in values)
            found[key.removesuffix("_mm").replace("_", " ")] = words + unit
    return found


def _flat(value: Any, name: str) -> Iterator[tuple[str, str]]:
    """A setup's content as lines: ``[process] dial_infeed``, ``[wheel] 2 label``."""
    if not name:
        for section, table in value.items():
            tables = table if isinstance(table, list) else [table]
            for number, one in enumerate(tables, 1):
                place = f"[{section}]" + (f" {number}" if len(tables) > 1 else "")
                for key, inner in one.items():
                    yield from _flat(inner, f"{place} {key}")
    else:
        yield name, ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _figures(entry: Entry) -> dict[str, Quantity]:
    where = f"job {entry.book.name} entry {entry.number}"
    parts = read_result(entry.body["result"], where).parts
    if len(parts) != 1:
        return {}
    return {name: q for name, q in part_figures(parts[0]).items() if not name.startswith(_LESSER)}
