"""QIF results read back: all of our own files; of other programs' files the kinds of characteristic that we write."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, get_args
from urllib.parse import unquote

from knurlsight.errors import ExchangeError
from knurlsight.exchange.qif import Kind, PartStatus, QifFigure, QifPart, QifPhoto, QifResults, Status
from knurlsight.exchange.qif_write import NO_LIMIT, NO_TARGET, PREFIX, QIF
from knurlsight.exchange.safe_xml import parse_xml

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

MM_PER_METER = 1000.0
HASH_WORDS = "SHA-256 "
MEASUREMENT = "CharacteristicMeasurement"


def read_qif(data: bytes, source: str = "QIF file") -> QifResults:
    """The results in a QIF 3.0 document, lengths turned into mm and angles into degrees.

    Parameters
    ----------
    data : bytes
    source : str
        Name for messages.

    Raises
    ------
    ExchangeError
        It is no QIF 3 document, holds no results, refers to what is not there, or contradicts itself: a wrong count
        of a list, an uncertainty without mean error or the other way round, PASS outside the limits.
    """
    root = parse_xml(data, source)
    if root.tag != f"{{{QIF}}}QIFDocument":
        raise ExchangeError(f"{source}: is not a QIF 3 document (its root is {root.tag[-80:]!r})")
    if not root.get("versionQIF", "").startswith("3."):
        raise ExchangeError(f"{source}: is of QIF version {root.get('versionQIF')!r}; version 3 is read")
    ids = _checked_ids(root, source)
    results = root.find(_path("Results/MeasurementResultsSet"))
    if results is None:
        raise ExchangeError(f"{source}: holds no measurement results")
    reader = _Reader(source, ids, *_factors(root, source))
    parts = tuple(reader.part(made) for made in results.findall(_path("MeasurementResults")))
    return QifResults(parts, _text(root, "Header/Application/Name"))


def _checked_ids(root: Element, source: str) -> dict[str, Element]:
    """The elements by id; every list states its length, which the schema does not hold against what is there."""
    ids: dict[str, Element] = {}
    for made in root.iter():
        name, n = made.get("id"), made.get("n")
        if name is not None and name in ids:
            raise ExchangeError(f"{source}: the id {name[:40]!r} stands twice")
        if name is not None:
            ids[name] = made
        if n is not None and len(made) and n != str(len(made)):
            raise ExchangeError(f"{source}: the list {_local(made)} says n = {n[:20]!r} and holds {len(made)}")
    return ids


def _factors(root: Element, source: str) -> tuple[float, float]:
    """What turns a length and an angle of the file into mm and degrees; without units the file counts SI units."""
    factors = []
    for name, from_si in (("LinearUnit", MM_PER_METER), ("AngularUnit", 180.0 / math.pi)):
        words = _text(root, f"FileUnits/PrimaryUnits/{name}/UnitConversion/Factor") or "1"
        factor = _number(words, source)
        offset = _number(_text(root, f"FileUnits/PrimaryUnits/{name}/UnitConversion/Offset") or "0", source)
        if factor <= 0 or offset != 0:
            raise ExchangeError(f"{source}: {name} has a conversion that is no plain factor ({words[:40]})")
        factors.append(_tidy(factor * from_si))
    return factors[0], factors[1]


@dataclass(frozen=True)
class _Reader:
    """What is needed to read a part: the document's elements by id and its units."""

    source: str
    ids: Mapping[str, Element]
    mm: float
    deg: float

    def fault(self, words: str) -> ExchangeError:
        return ExchangeError(f"{self.source}: {words}")

    def part(self, made: Element) -> QifPart:
        left_out: list[str] = []
        figures: list[QifFigure] = []
        for measured in made.findall(_path("MeasuredCharacteristics/CharacteristicMeasurements/*")):
            kind = KINDS.get(_local(measured).removesuffix(MEASUREMENT))
            if kind is None:
                left_out.append(_local(measured).removesuffix(MEASUREMENT))
            else:
                figures.append(self.figure(measured, kind))
        trace = made.find(_path("InspectionTraceability"))
        component = made.find(_path("ActualComponentIds/Id"))
        serial = "" if component is None else _text(self.named(component), "SerialNumber")
        return QifPart(
            name=_attribute(made, "part"),
            status=self.word(made, "InspectionStatus/InspectionStatusEnum", PartStatus),
            figures=tuple(figures),
            job=_text(trace, "OrderNumber"),
            operation=_attribute(trace, "operation"),
            serial=serial,
            who=_text(trace, "InspectionOperator/Name"),
            when=_text(trace, "InspectionEnd"),
            record_hash=_attribute(trace, "record"),
            photos=tuple(
                QifPhoto(unquote(_text(photo, "URI")), _text(photo, "Description").rpartition(HASH_WORDS)[2])
                for photo in made.findall(_path("ExternalFileReferences/ExternalFileReference"))
            ),
            left_out=tuple(left_out),
        )

    def figure(self, measured: Element, kind: Kind) -> QifFigure:
        """A measurement with its item, nominal and definition, each found by the id that the one before it names."""
        item = self.named(measured.find(_path("CharacteristicItemId")))
        nominal = self.named(item.find(_path("CharacteristicNominalId")))
        definition = self.named(nominal.find(_path("CharacteristicDefinitionId")))
        limits = nominal if kind == "ratio" else definition.find(_path("Tolerance"))
        factor = {"length": self.mm, "diameter": self.mm, "angle": self.deg}.get(kind, 1.0)
        open_ended = _attribute(nominal, "limits") == NO_LIMIT
        status = self.word(measured, "Status/CharacteristicStatusEnum", Status)
        name = _text(item, "Name") or _text(definition, "WhatToMeasure")
        words = _text(measured, "Description")
        if kind == "text":
            return QifFigure(
                name,
                kind,
                status,
                text=_text(measured, "Value"),
                pass_text=_text(nominal, "PassValues/StringValue"),
                words=words,
            )
        value, u = self.value(measured.find(_path("Value")), name, factor)
        lower = None if open_ended else self.number(limits, "MinValue", factor)
        upper = self.number(limits, "MaxValue", factor)
        if limits is not None and _text(limits, "DefinedAsLimit") in ("false", "0"):
            target = self.number(nominal, "TargetValue", factor)
            if target is None:
                raise self.fault(f"{name}: its limits are deviations from a target that is not stated")
            lower, upper = (None if v is None else target + v for v in (lower, upper))
        if status == "PASS" and value is not None and not _inside(value, lower, upper):
            raise self.fault(f"{name}: says PASS, yet {value:g} lies outside its limits {lower} to {upper}")
        return QifFigure(
            name,
            kind,
            status,
            value,
            u,
            nominal=None if _attribute(nominal, "target") == NO_TARGET else self.number(nominal, "TargetValue", factor),
            lower=lower,
            upper=upper,
            words=words,
        )

    def value(self, made: Element | None, name: str, factor: float) -> tuple[float | None, float | None]:
        """Value and standard uncertainty; the standard's text wants both attributes of an uncertainty or none."""
        if made is None:
            return None, None
        if "linearUnit" in made.attrib or "angularUnit" in made.attrib:
            raise self.fault(f"{name}: has a unit of its own; only the primary units of the file are read")
        u, mean_error = made.get("combinedUncertainty"), made.get("meanError")
        if (u is None) != (mean_error is None):
            raise self.fault(f"{name}: combinedUncertainty and meanError stand together or not at all")
        value = _number(made.text or "", self.source) * factor
        return value, None if u is None else _number(u, self.source) * factor

    def number(self, parent: Element | None, name: str, factor: float) -> float | None:
        text = _text(parent, name)
        return _number(text, self.source) * factor if text else None

    def named(self, reference: Element | None) -> Element:
        name = (reference.text or "").strip() if reference is not None else ""
        if name not in self.ids:
            raise self.fault(f"refers to id {name[:40]!r}, which is not in it")
        return self.ids[name]

    def word(self, made: Element, place: str, known: Any) -> Any:
        text = _text(made, place)
        if text not in get_args(known):
            raise self.fault(f"{place.rpartition('/')[2]} {text[:40]!r} is not a word of the standard")
        return text


KINDS: dict[str, Kind] = {prefix: kind for kind, prefix in PREFIX.items()}


def _inside(value: float, lower: float | None, upper: float | None) -> bool:
    return (lower is None or value >= lower) and (upper is None or value <= upper)


def _tidy(factor: float) -> float:
    """1 instead of 0.99999…: the files' factor for degrees is itself rounded."""
    return round(factor) if math.isclose(factor, round(factor), rel_tol=1e-9) and round(factor) else factor


def _number(text: str, source: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise ExchangeError(f"{source}: {text[:40]!r} is not a number")
    return number


def _path(names: str) -> str:
    return "/".join(name if name == "*" else f"{{{QIF}}}{name}" for name in names.split("/"))


def _text(made: Element | None, names: str) -> str:
    found = made.find(_path(names)) if made is not None else None
    return (found.text or "").strip() if found is not None else ""


def _attribute(made: Element | None, name: str) -> str:
    for found in made.findall(_path("Attributes/AttributeStr")) if made is not None else ():
        if found.get("name") == name:
            return found.get("value", "")
    return ""


def _local(made: Element) -> str:
    return made.tag.rpartition("}")[2]
