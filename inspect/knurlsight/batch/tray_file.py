"""A tray file: which places a tray has, which part is expected where, and what was wanted of it.

::

    [tray]
    name = "invented rack"
    setup = "knob.toml"            # of every place that names none
    top = "photo"                  # or "card": rows run as the print on the scale card does

    [place.A1]
    at = [0, 0]                    # to the right and down, in any unit, the same for all places
    [place.A2]
    at = [60, 0]
    part = "K-101"                 # the part expected there; without it the part is called as its place
    setup = "other.toml"
    [place.A3]
    at = [120, 0]
    empty = true                   # nothing is expected there
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from knurlsight.errors import KnurlsightError
from knurlsight.setup_math.setup import read_setup
from knurlsight.setup_math.setup_model import Setup

Top = Literal["photo", "card"]
TRAY_KEYS = ("name", "setup", "top")
PLACE_KEYS = ("at", "part", "setup", "empty")
MAX_BYTES = 1_000_000


@dataclass(frozen=True)
class Place:
    """One place of a tray.

    Attributes
    ----------
    name : str
    at : (float, float)
        To the right and down, in the tray's own unit.
    part : str
        The part expected there; the place's name where the file names none, empty where nothing is expected.
    setup : Setup or None
        None: as the command line says.
    """

    name: str
    at: tuple[float, float]
    part: str
    setup: Setup | None


@dataclass(frozen=True)
class TrayFile:
    """A tray and its places, in the order of the file."""

    name: str
    places: tuple[Place, ...]
    top: Top = "photo"


def read_tray(path: Path) -> TrayFile:
    """Read a tray file; setups are named from its own folder.

    Raises
    ------
    KnurlsightError
        With every fault of the file.
    """
    try:
        if not path.is_file():
            raise KnurlsightError(f"{path}: is not a file", hint="--tray-out tray.toml writes one from a full tray")
        if path.stat().st_size > MAX_BYTES:
            raise KnurlsightError(f"{path}: is over {MAX_BYTES // 1000} kB long; a tray file is a few pages of text")
        document = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as e:
        raise KnurlsightError(f"{path}: cannot be read ({e.strerror or e})", hint="check the permissions") from e
    except UnicodeDecodeError as e:
        raise KnurlsightError(f"{path}: is not UTF-8 text; a tray file is TOML") from e
    except (tomllib.TOMLDecodeError, RecursionError) as e:
        raise KnurlsightError(f"{path}: is not TOML: {e}", hint="[place.A1]\nat = [0, 0]") from e
    return _tray_of(document, path)


def _tray_of(document: Mapping[str, Any], path: Path) -> TrayFile:
    faults: list[str] = [
        f"{k}: is not known; the nearest is {_nearest(k, ('tray', 'place'))}"
        for k in document
        if k not in ("tray", "place")
    ]
    tray, tables = document.get("tray", {}), document.get("place", {})
    if (
        not isinstance(tray, dict)
        or not isinstance(tables, dict)
        or not all(isinstance(t, dict) for t in tables.values())
    ):
        raise KnurlsightError(f"{path}: tables are wanted: [tray] once, and [place.NAME] for every place")
    faults += _unknown("[tray]", tray, TRAY_KEYS)
    top = tray.get("top", "photo")
    if top not in ("photo", "card"):
        faults.append(f'[tray] top: {top!r} is not one of "photo", "card"')
    if not isinstance(tray.get("name", ""), str):
        faults.append(f"[tray] name: {tray['name']!r} is not text")
    setups: dict[str, Setup | None] = {}
    everywhere = _setup("[tray]", tray, path, setups, faults)
    places = [_place(name, table, everywhere, path, setups, faults) for name, table in tables.items()]
    if not places:
        faults.append("no [place.NAME] in it")
    faults += _doubled(places)
    if faults:
        raise KnurlsightError(
            "\n".join(f"{path}: {fault}" for fault in dict.fromkeys(faults)),
            hint="--tray-out tray.toml writes a tray file from the photo of a full tray",
        )
    return TrayFile(tray.get("name", path.stem), tuple(places), top)


def _place(
    name: str,
    table: Mapping[str, Any],
    everywhere: Setup | None,
    path: Path,
    setups: dict[str, Setup | None],
    faults: list[str],
) -> Place:
    where = f"[place.{name}]"
    faults += _unknown(where, table, PLACE_KEYS)
    at = table.get("at")
    if not (isinstance(at, list) and len(at) == 2 and all(_is_number(v) for v in at)):
        faults.append(f"{where} at: {at!r}: two numbers are wanted, to the right and down, such as [60, 0]")
        at = (math.nan, math.nan)
    part, empty = table.get("part", name), table.get("empty", False)
    if not isinstance(part, str) or not part.strip():
        faults.append(f"{where} part: {part!r}: text in quotes is wanted")
    if not isinstance(empty, bool):
        faults.append(f"{where} empty: {empty!r}: true or false is wanted")
    if empty is True and ("part" in table or "setup" in table):
        faults.append(f"{where}: says empty = true and a part or setup; keep one")
    setup = _setup(where, table, path, setups, faults) or everywhere
    return Place(name, (float(at[0]), float(at[1])), "" if empty else str(part), setup)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and abs(value) < 1e6


def _setup(
    where: str, table: Mapping[str, Any], path: Path, setups: dict[str, Setup | None], faults: list[str]
) -> Setup | None:
    if "setup" not in table:
        return None
    named = table["setup"]
    if not isinstance(named, str):
        faults.append(f"{where} setup: {named!r}: the name of a setup file is wanted")
        return None
    if named not in setups:
        try:
            setups[named] = read_setup(path.parent / named)
        except KnurlsightError as e:
            faults += [f"{where} setup: {line}" for line in e.message.splitlines()]
            setups[named] = None
    return setups[named]


def _unknown(where: str, table: Mapping[str, Any], known: Sequence[str]) -> list[str]:
    return [f"{where} {key}: is not known; the nearest is {_nearest(key, known)}" for key in table if key not in known]


def _nearest(key: str, known: Sequence[str]) -> str:
    return max(known, key=lambda k: difflib.SequenceMatcher(None, key, k).ratio())


def _doubled(places: Sequence[Place]) -> list[str]:
    """Two parts of one name, and two places at one spot."""
    faults: list[str] = []
    owner: dict[str, str] = {}
    for place in places:
        if place.part in owner:
            faults.append(f"[place.{place.name}] part: {place.part!r} is expected at {owner[place.part]} already")
        elif place.part:
            owner[place.part] = place.name
    spots = np.array([p.at for p in places], np.float64).reshape(-1, 2)
    if len(spots) > 1 and np.isfinite(spots).all():
        apart = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
        np.fill_diagonal(apart, np.inf)
        usual = float(np.quantile(apart.min(axis=1), 0.75))
        for i, j in zip(*np.nonzero(np.triu(apart <= 0.1 * usual)), strict=True):
            faults.append(f"[place.{places[j].name}] at: is the spot of {places[i].name}")
    return faults


def tray_text(places: Sequence[tuple[str, Sequence[float]]], top: Top, photo: str) -> str:
    """A tray file made from what stands in a photo: places by name and spot (px), to be edited by hand."""
    lines = [
        f"# places as found in {photo!r}; only their layout counts, so the unit of at may be anything".replace(
            "\n", " "
        ),
        '# part = "K-101"      the part expected there; without it the part is called as its place',
        '# setup = "knob.toml" what was wanted of it, from the folder of this file',
        "# empty = true        nothing is expected there",
        "",
        "[tray]",
        f'top = "{top}"',
    ]
    for name, at in places:
        lines += ["", f"[place.{name}]", f"at = [{round(at[0])}, {round(at[1])}]"]
    return "\n".join(lines) + "\n"
