"""QIF results as XML; `qif_read` reads it back to an equal record."""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from decimal import Decimal
from pathlib import PurePath
from typing import TYPE_CHECKING
from urllib.parse import quote

from knurlsight.exchange.qif import DESCRIPTION, NAMESPACE, Kind, QifFigure, QifPart, QifResults
from knurlsight.exchange.safe_xml import xml_text

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

QIF = "http://qifstandards.org/xsd/qif3"
#: Element names begin so, for each kind of figure.
PREFIX: dict[Kind, str] = {
    "length": "UserDefinedLinear",
    "angle": "UserDefinedAngular",
    "diameter": "Diameter",
    "ratio": "UserDefinedUnit",
    "text": "UserDefinedAttribute",
}
RATIO_UNIT = "one"
FILE_KINDS = {".jpg": "JPG", ".jpeg": "JPEG", ".png": "PNG", ".tif": "TIF", ".tiff": "TIFF", ".bmp": "BMP"}
#: A ratio must have a target and a limit in the schema: where there is none these attributes say what stands there.
NO_TARGET = "no target is stated; the limit stands in its place"
NO_LIMIT = "no limit is stated; a ratio or count is not below 0"


def qif_xml(results: QifResults) -> bytes:
    """A QIF 3.0 document with the results; the same bytes for the same results."""
    return _Writer().document(results)


@dataclass
class _Writer:
    """Elements of a document under way, with the ids given out so far."""

    last_id: int = 0
    definitions: list[Element] = field(default_factory=list)
    nominals: list[Element] = field(default_factory=list)
    items: list[Element] = field(default_factory=list)
    components: list[Element] = field(default_factory=list)
    #: Limits that several parts share are written once.
    nominal_ids: dict[tuple[object, ...], int] = field(default_factory=dict)

    def new_id(self) -> str:
        self.last_id += 1
        return str(self.last_id)

    def document(self, results: QifResults) -> bytes:
        from xml.etree.ElementTree import Element, indent, tostring

        identity = uuid.uuid5(NAMESPACE, json.dumps(asdict(results), sort_keys=True))
        standard = self.new_id()
        measured = [self.results(part) for part in results.parts]
        root = Element("QIFDocument", {"xmlns": QIF, "versionQIF": "3.0.0"})
        _add(root, "QPId", str(identity))
        header = _add(root, "Header")
        if results.program:
            _add(_add(header, "Application"), "Name", results.program)
        _add(header, "Description", DESCRIPTION)
        made = _add(_list(root, "StandardsDefinitions", 1), "Standard", id=standard)
        _add(_add(made, "Organization"), "StandardsOrganizationEnum", "DIN")
        _add(made, "Designator", "82")
        _add(made, "Year", "1973")
        _units(root)
        if self.items:
            characteristics = _add(root, "Characteristics")
            _add(characteristics, "FormalStandardId", standard)
            for name, elements in (
                ("CharacteristicDefinitions", self.definitions),
                ("CharacteristicNominals", self.nominals),
                ("CharacteristicItems", self.items),
            ):
                _list(characteristics, name, len(elements)).extend(elements)
        body = _add(root, "Results")
        _list(body, "MeasurementResultsSet", len(measured)).extend(measured)
        if self.components:
            sets = _list(body, "ActualComponentSets", 1)
            _list(sets, "ActualComponentSet", len(self.components)).extend(self.components)
        root.set("idMax", str(self.last_id))
        indent(root)
        return bytes(tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"

    def results(self, part: QifPart) -> Element:
        from xml.etree.ElementTree import Element

        made = Element("MeasurementResults", {"id": self.new_id()})
        _attributes(made, {"part": part.name})
        self.traceability(made, part)
        identity = json.dumps(asdict(part), sort_keys=True) + made.attrib["id"]
        _add(made, "ThisResultsInstanceQPId", str(uuid.uuid5(NAMESPACE, identity)))
        if part.photos:
            photos = _list(made, "ExternalFileReferences", len(part.photos))
            for photo in part.photos:
                reference = _add(photos, "ExternalFileReference")
                _add(reference, "URI", quote(photo.file))
                kind = FILE_KINDS.get(PurePath(photo.file).suffix.lower())
                spec = _add(reference, "FileSpec")
                _add(spec, *(("CommonFileSpecEnum", kind) if kind else ("OtherFileSpec", "photo")))
                _add(reference, "Description", f"photo, SHA-256 {photo.sha256}")
        if part.figures:
            characteristics = _add(made, "MeasuredCharacteristics")
            measurements = _list(characteristics, "CharacteristicMeasurements", len(part.figures))
            for figure in part.figures:
                self.measurement(measurements, figure)
        _add(_add(made, "InspectionStatus"), "InspectionStatusEnum", part.status)
        if part.serial:
            component = Element("ActualComponent", {"id": self.new_id()})
            _add(component, "SerialNumber", part.serial)
            _add(_add(component, "Status"), "InspectionStatusEnum", part.status)
            self.components.append(component)
            _add(_list(made, "ActualComponentIds", 1), "Id", component.attrib["id"])
        return made

    def traceability(self, made: Element, part: QifPart) -> None:
        if not (part.job or part.operation or part.who or part.when or part.record_hash):
            return
        trace = _add(made, "InspectionTraceability")
        if part.job:
            _add(trace, "OrderNumber", part.job)
        if part.when:
            _add(trace, "InspectionEnd", part.when)
        if part.who:
            _add(_add(trace, "InspectionOperator"), "Name", part.who)
        _attributes(trace, {"operation": part.operation, "record": part.record_hash})

    def measurement(self, measurements: Element, figure: QifFigure) -> None:
        prefix = PREFIX[figure.kind]
        nominal = self.nominal(figure)
        from xml.etree.ElementTree import Element

        item = Element(f"{prefix}CharacteristicItem", {"id": self.new_id()})
        _add(item, "Name", figure.name)
        _add(item, "CharacteristicNominalId", str(nominal))
        self.items.append(item)
        made = _add(measurements, f"{prefix}CharacteristicMeasurement", id=self.new_id())
        if figure.words:
            _add(made, "Description", figure.words)
        _add(_add(made, "Status"), "CharacteristicStatusEnum", figure.status)
        _add(made, "CharacteristicItemId", item.attrib["id"])
        if figure.kind == "text":
            _add(made, "Value", figure.text)
        elif figure.value is not None:
            value = _add(made, "Value", _decimal(figure.value), **_ratio_unit(figure.kind))
            if figure.u is not None:
                value.set("combinedUncertainty", _decimal(figure.u))
                value.set("meanError", "0")

    def nominal(self, figure: QifFigure) -> int:
        """Id of the nominal, its definition before it, both written at their first use."""
        key = (figure.name, figure.kind, figure.nominal, figure.lower, figure.upper, figure.pass_text)
        if key not in self.nominal_ids:
            self.nominal_ids[key] = self._nominal(figure)
        return self.nominal_ids[key]

    def _nominal(self, figure: QifFigure) -> int:
        from xml.etree.ElementTree import Element

        prefix = PREFIX[figure.kind]
        definition = Element(f"{prefix}CharacteristicDefinition", {"id": self.new_id()})
        self.definitions.append(definition)
        _add(definition, "Name", figure.name)
        if figure.kind in ("length", "angle", "diameter"):
            if figure.lower is None and figure.upper is None:
                _add(definition, "NonTolerance", "MEASURED")
            else:
                _limits(_add(definition, "Tolerance"), figure)
        if figure.kind in ("length", "angle", "text"):
            _add(definition, "WhatToMeasure", f"knurl: {figure.name}")
        nominal = Element(f"{prefix}CharacteristicNominal", {"id": self.new_id()})
        self.nominals.append(nominal)
        if figure.kind == "ratio":
            open_ended = figure.lower is None and figure.upper is None
            _attributes(
                nominal,
                {
                    "target": NO_TARGET if figure.nominal is None else "",
                    "limits": NO_LIMIT if open_ended else "",
                },
            )
        _add(nominal, "CharacteristicDefinitionId", definition.attrib["id"])
        if figure.kind == "ratio":
            lower = 0.0 if figure.lower is None and figure.upper is None else figure.lower
            target = next(v for v in (figure.nominal, figure.upper, lower) if v is not None)
            _add(nominal, "TargetValue", _decimal(target), unitName=RATIO_UNIT)
            _limits(nominal, figure, lower)
        elif figure.kind == "text":
            if figure.pass_text:
                _add(_list(nominal, "PassValues", 1), "StringValue", figure.pass_text)
        elif figure.nominal is not None:
            _add(nominal, "TargetValue", _decimal(figure.nominal))
        return int(nominal.attrib["id"])


def _limits(parent: Element, figure: QifFigure, lower: float | None = None) -> None:
    lower = figure.lower if lower is None else lower
    unit = _ratio_unit(figure.kind)
    if figure.upper is not None:
        _add(parent, "MaxValue", _decimal(figure.upper), **unit)
    if lower is not None:
        _add(parent, "MinValue", _decimal(lower), **unit)
    _add(parent, "DefinedAsLimit", "true")


def _ratio_unit(kind: Kind) -> dict[str, str]:
    return {"unitName": RATIO_UNIT} if kind == "ratio" else {}


def _units(root: Element) -> None:
    units = _add(root, "FileUnits")
    primary = _add(units, "PrimaryUnits")
    for element, si, name, factor in (
        ("AngularUnit", "radian", "degree", math.pi / 180.0),
        ("LinearUnit", "meter", "mm", 0.001),
    ):
        unit = _add(primary, element)
        _add(unit, "SIUnitName", si)
        _add(unit, "UnitName", name)
        _add(_add(unit, "UnitConversion"), "Factor", _decimal(factor))
    ratio = _add(_list(units, "UserDefinedUnits", 1), "UserDefinedUnit")
    _add(ratio, "WhatIsMeasured", "ratios and counts")
    _add(ratio, "UnitName", RATIO_UNIT)


def _decimal(value: float) -> str:
    """xs:decimal, which knows no exponent; read back it gives the same float."""
    return format(Decimal(repr(float(value))), "f")


def _add(parent: Element, tag: str, text: str | None = None, /, **attributes: str) -> Element:
    from xml.etree.ElementTree import SubElement

    made = SubElement(parent, tag, attributes)
    if text is not None:
        made.text = xml_text(text)
    return made


def _list(parent: Element, name: str, n: int) -> Element:
    return _add(parent, name, n=str(n))


def _attributes(parent: Element, values: Mapping[str, str]) -> None:
    """Free attributes of an element, those that say something."""
    said = {name: value for name, value in values.items() if value}
    if said:
        made = _list(parent, "Attributes", len(said))
        for name, value in said.items():
            _add(made, "AttributeStr", name=name, value=xml_text(value))
