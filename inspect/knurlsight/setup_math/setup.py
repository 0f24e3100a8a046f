"""Read a setup file: TOML in, a `Setup` out, or every fault of the file together."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from knurlsight.errors import KnurlsightError, SetupError, SetupFault, UnitError
from knurlsight.setup_math.setup_contradictions import contradictions
from knurlsight.setup_math.setup_model import PITCH_KEYS, SECTIONS, Section, Setup, WheelSetup, section_keys, setup_text
from knurlsight.setup_math.setup_values import Deviations, Range, pitch_in_range
from knurlsight.units import (
    Pitch,
    parse_length,
    parse_number,
    pitch_from_diametral,
    pitch_from_module,
    pitch_from_tpi,
)

__all__ = ["Setup", "read_setup", "setup_from_document", "setup_from_text", "setup_text"]

#: A setup is a page of text; anything longer is not one.
MAX_BYTES = 1_000_000

#: Names that people use for a key that is called otherwise.
_OTHER_NAMES = {
    "od": "outside_diameter",
    "diameter": "outside_diameter",
    "finished_diameter": "outside_diameter",
    "blank": "blank_diameter",
    "length": "knurl_length",
    "tpi": "teeth_per_inch",
    "dp": "diametral_pitch",
    "angle": "helix",
    "z": "teeth",
    "rpm": "spindle_speed",
    "speed": "spindle_speed",
    "feed": "feed_per_turn",
    "infeed": "dial_infeed",
    "coolant": "lubricant",
}


def read_setup(path: str | Path) -> Setup:
    """Read a setup file.

    Parameters
    ----------
    path : str or Path
        A TOML file.

    Returns
    -------
    Setup

    Raises
    ------
    SetupError
        With every fault of the file: unreadable, not TOML, unknown keys, values that cannot be read, contradictions.
    """
    path = Path(path)
    source = str(path)

    def refuse(code: str, words: str, hint: str | None = None) -> SetupError:
        return SetupError(source, [SetupFault(code, "file", words)], hint=hint)

    try:
        if path.is_dir():
            raise refuse("not-a-file", "is a folder, a setup file is wanted", "--setup part.toml")
        if not path.exists():
            raise refuse("missing-file", "does not exist", "knurlsight plan … --setup-out part.toml writes one")
        if not path.is_file():
            raise refuse("not-a-file", "is not a regular file")
        if path.stat().st_size > MAX_BYTES:
            raise refuse("too-large", f"is {path.stat().st_size} bytes long; a setup file is a page of text")
        raw = path.read_bytes()
    except OSError as error:
        raise refuse("unreadable", f"cannot be read ({error.strerror or error})") from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise refuse("not-text", "is not UTF-8 text; is it a photo? A setup is a TOML file") from None
    return setup_from_text(text, source)


def setup_from_text(text: str, source: str = "setup") -> Setup:
    """Read a setup from the text of its file; see `read_setup`.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        Name for messages.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        fault = SetupFault("not-toml", "file", f"is not TOML: {error}")
        raise SetupError(source, [fault], hint='a length stands in quotes: outside_diameter = "20 mm"') from None
    except RecursionError:
        raise SetupError(source, [SetupFault("not-toml", "file", "is nested too deeply for a setup")]) from None
    return setup_from_document(document, source)


def setup_from_document(document: Mapping[str, Any], source: str = "setup") -> Setup:
    """Read a setup from the tables of its file (as `tomllib` gives them); see `read_setup`."""
    faults: list[SetupFault] = []
    sections: dict[str, Any] = {}
    for name, table in document.items():
        if name not in SECTIONS:
            faults.append(_unknown_section(name, table))
        elif name == "wheel":
            sections["wheels"] = _wheels(table, faults)
        elif not isinstance(table, dict):
            faults.append(SetupFault("not-a-table", name, f"is a value; a table is wanted: [{name}] on its own line"))
        else:
            sections[name] = _section(name, f"[{name}]", table, faults)
    read = {name: value for name, value in sections.items() if value is not None}
    setup = Setup(**read)
    if not document:
        faults.append(SetupFault("empty", "file", "says nothing: [part] with [pattern] or [[wheel]] is wanted"))
    elif "pattern" not in document and "wheel" not in document:
        faults.append(SetupFault("no-pattern", "[pattern]", "is missing, and so is [[wheel]]: nothing to compare with"))
    setup = _resolved(setup, faults)
    faults.extend(contradictions(setup, faults))
    if faults:
        hint = next((f.words.rsplit("write ", 1)[1] for f in faults if "write " in f.words), None)
        raise SetupError(source, faults, hint=hint if len(faults) == 1 else None)
    return setup


def _unknown_section(name: str, table: object) -> SetupFault:
    if not isinstance(table, (dict, list)):
        homes = [s for s in SECTIONS if name in section_keys(s)]
        if homes:
            bracket = "[[wheel]]" if homes[0] == "wheel" else f"[{homes[0]}]"
            return SetupFault("key-outside", name, f"stands before any table: put it under {bracket}")
    if not isinstance(table, (dict, list)):
        return SetupFault("unknown-key", name, f"is not a known key; {_nearest_anywhere(name)} is the nearest")
    nearest = _nearest(name, list(SECTIONS))
    bracket = "[[wheel]]" if nearest == "wheel" else f"[{nearest}]"
    return SetupFault("unknown-section", f"[{name}]", f"is not known; the nearest is {bracket}")


def _nearest(name: str, known: list[str]) -> str:
    other = _OTHER_NAMES.get(name.lower())
    if other in known:
        return str(other)
    return max(known, key=lambda k: difflib.SequenceMatcher(None, name.lower(), k).ratio())


def _nearest_anywhere(name: str) -> str:
    known = {key: section for section in reversed(SECTIONS) for key in section_keys(section)}
    nearest = _nearest(name, list(known))
    return f"{nearest} of [{known[nearest]}]"


def _wheels(tables: object, faults: list[SetupFault]) -> tuple[WheelSetup, ...]:
    if isinstance(tables, dict):
        tables = [tables]
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        faults.append(SetupFault("not-a-table", "wheel", "is a value; a table is wanted: [[wheel]] on its own line"))
        return ()
    if len(tables) > 2:
        faults.append(
            SetupFault("too-many-wheels", "[[wheel]]", f"stands {len(tables)} times; once or twice is wanted")
        )
    wheels = []
    for number, table in enumerate(tables, 1):
        where = "[[wheel]]" if len(tables) == 1 else f"[[wheel]] {number}"
        wheel = _section("wheel", where, _one_pitch(where, table, faults), faults)
        if isinstance(wheel, WheelSetup):
            wheels.append(wheel)
    return tuple(wheels)


def _one_pitch(where: str, table: Mapping[str, Any], faults: list[SetupFault]) -> dict[str, Any]:
    """The table with whichever of the four pitch keys it has turned into `pitch`."""
    stated = [key for key in PITCH_KEYS if key in table]
    rest = {key: value for key, value in table.items() if key not in PITCH_KEYS}
    if len(stated) > 1:
        faults.append(
            SetupFault(
                "pitch-twice", where, f"states {' and '.join(stated)}: keep the one that the wheel is marked with"
            )
        )
        return rest
    makers: dict[str, Callable[[float], Pitch]] = {
        "teeth_per_inch": pitch_from_tpi,
        "module": pitch_from_module,
        "diametral_pitch": pitch_from_diametral,
    }
    for key in stated:
        value = table[key]
        if key == "pitch":
            rest["pitch"] = value
            continue
        try:
            number = parse_length(value) if key == "module" else parse_number(value)
            rest["pitch"] = pitch_in_range(makers[key](number), value)
        except UnitError as error:
            faults.append(_value_fault(f"{where} {key}", error))
    return rest


def _section(name: str, where: str, table: Mapping[str, Any], faults: list[SetupFault]) -> Section | None:
    """One section read; faults are added to the list, and what is at fault left out of the section."""
    known = section_keys(name)
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key in known:
            values[key] = value
            continue
        homes = [s for s in SECTIONS if key in section_keys(s) and s != name]
        nearest = _nearest(key, list(known))
        elsewhere = f"; {key} belongs to [{homes[0]}]" if homes else ""
        faults.append(
            SetupFault("unknown-key", f"{where} {key}", f"is not a known key; the nearest is {nearest}{elsewhere}")
        )
    model = SECTIONS[name]
    try:
        return model.model_validate(values)
    except ValidationError as errors:
        bad = set()
        for error in errors.errors():
            key = str(error["loc"][0])
            if key not in bad:
                faults.append(_pydantic_fault(f"{where} {key}", values.get(key), error))
            bad.add(key)
        return model.model_validate({key: value for key, value in values.items() if key not in bad})


def _pydantic_fault(key: str, value: object, error: Mapping[str, Any]) -> SetupFault:
    cause = error.get("ctx", {}).get("error")
    if isinstance(cause, UnitError):
        return _value_fault(key, cause)
    expected = error.get("ctx", {}).get("expected")
    shown = repr(value) if len(repr(value)) <= 60 else repr(value)[:57] + "..."
    if expected:
        return SetupFault("bad-value", key, f"{shown} is not one of {expected.replace(' or ', ', ')}")
    return SetupFault("bad-value", key, f"{shown} cannot be used: {error['msg']}")


def _value_fault(key: str, error: KnurlsightError) -> SetupFault:
    return SetupFault("bad-value", key, f"{error.message}; write {error.hint}" if error.hint else error.message)


def _resolved(setup: Setup, faults: list[SetupFault]) -> Setup:
    """The setup with deviations such as ``+0.02 -0.05 mm`` turned into ranges about the nominal length of [part]."""
    nominal = {"knurl_length": setup.part.knurl_length_mm, "outside_diameter": setup.part.outside_diameter_mm}
    nominal["full_form_length"] = setup.part.knurl_length_mm
    changes: dict[str, Range | None] = {}
    for key, middle in nominal.items():
        value = getattr(setup.tolerance, key)
        if not isinstance(value, Deviations):
            continue
        part_key = "outside_diameter" if key == "outside_diameter" else "knurl_length"
        if middle is None:
            words = f"gives deviations, but [part] {part_key} is missing: state it, or both limits here"
            faults.append(SetupFault("no-nominal", f"[tolerance] {key}", words))
            changes[key] = None
        elif middle + value.lower_mm <= 0:
            words = f"takes {middle:g} mm down to {middle + value.lower_mm:g} mm"
            faults.append(SetupFault("bad-value", f"[tolerance] {key}", words))
            changes[key] = None
        else:
            changes[key] = Range(middle + value.lower_mm, middle + value.upper_mm)
    if not changes:
        return setup
    return setup.model_copy(update={"tolerance": setup.tolerance.model_copy(update=changes)})
