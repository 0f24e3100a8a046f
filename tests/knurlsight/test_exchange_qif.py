"""QIF 3.0 results (ISO 23952): written, validated where the schemas are at hand, read back, and refused where wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import made_patterns as made
import made_records
import pytest
from knurlsight.errors import ExchangeError
from knurlsight.exchange.qif import QifFigure, QifPart, QifResults, qif_results
from knurlsight.exchange.qif_read import read_qif
from knurlsight.exchange.qif_write import QIF, qif_xml
from knurlsight.exchange.safe_xml import MOST_LEVELS, parse_xml
from photoscale.quantity import Quantity

#: The published schemas stand beside the checkout, never in it.
SCHEMA = Path(__file__).parents[3] / "shared/reference/qif/xsd/QIFApplications/QIFDocument.xsd"
CASES = made_records.verdicts()


@pytest.fixture(scope="module")
def schema():
    if not SCHEMA.exists():
        pytest.skip(f"not validated: the QIF schemas are not at {SCHEMA}; writing and reading are tested without them")
    import xmlschema

    return xmlschema.XMLSchema(str(SCHEMA), allow="local")


@pytest.mark.parametrize("case", CASES)
def test_what_is_written_is_read_back_equal(case):
    results = qif_results([made_records.handed_on(CASES[case])])
    assert read_qif(qif_xml(results)) == results


def test_every_file_written_here_validates_against_the_published_schema(schema):
    everything = [made_records.handed_on(v) for v in CASES.values()]
    for some in (everything, *([one] for one in everything), [replace(everything[0], job="", who="", serial="")]):
        faults = [e.reason for e in schema.iter_errors(qif_xml(qif_results(some)).decode())]
        assert not faults


def test_verdicts_become_the_words_of_the_standard():
    status = {}
    for case in ("pass", "fail", "cannot tell", "no setup"):
        part = qif_results([made_records.handed_on(CASES[case])]).parts[0]
        status[case] = part.status, {f.name: f.status for f in part.figures}
    assert status["pass"][0] == "PASS"
    assert status["fail"][0] == "FAIL"
    assert status["fail"][1]["normal pitch of the right-hand family"] == "FAIL"
    assert status["cannot tell"][0] == "UNKNOWN"
    assert status["cannot tell"][1]["normal pitch of the right-hand family"] == "INDETERMINATE"
    assert status["no setup"][0] == "NOT_CALCULATED"
    assert set(status["no setup"][1].values()) == {"NOT_ANALYZED"}


def test_values_uncertainties_and_limits_stand_in_the_file():
    xml = qif_xml(qif_results([made_records.handed_on(CASES["pass"])]))
    root = parse_xml(xml, "test")
    found = {}
    for value in root.iter(f"{{{QIF}}}Value"):
        if value.text == "1.0":
            found = dict(value.attrib)
    # the made pattern: normal pitch 1 mm, relative standard uncertainty 0.3 %; QIF takes u without a coverage factor
    assert found == {"combinedUncertainty": "0.003", "meanError": "0"}
    assert b"<MaxValue>1.04</MaxValue>" in xml and b"<MinValue>0.96</MinValue>" in xml
    assert b"e-" not in b"".join(line for line in xml.splitlines() if b"Value" in line)  # xs:decimal has no exponent


def test_small_numbers_and_odd_words_survive():
    figure = QifFigure(
        "form fill", "ratio", "INDETERMINATE", 1.23e-7, 4e-12, lower=0.5, words='a < b & "c" \u00b1 \u03c8'
    )
    results = QifResults((QifPart("p <&> 'x'", "UNKNOWN", (figure,), job="../2041'; --\n#", operation='3"0'),), "t")
    assert read_qif(qif_xml(results)) == results


def test_control_characters_cannot_break_the_xml():
    part = QifPart("a\x00b\x1fc", "UNKNOWN", (), job="\x0c\ud800")
    assert read_qif(qif_xml(QifResults((part,)))).parts[0].name == "a\ufffdb\ufffdc"


def test_an_unstated_uncertainty_is_not_written_as_zero():
    pasted = made.pattern(outside_diameter=Quantity(20.0, 0.0, "mm"))
    part = qif_results([made_records.handed_on(made.inspected(pasted))]).parts[0]
    (diameter,) = (f for f in part.figures if f.name == "outside diameter")
    assert diameter.kind == "diameter" and diameter.u is None
    assert read_qif(qif_xml(QifResults((part,)))).parts[0] == part


def test_the_same_results_give_the_same_bytes():
    some = [made_records.handed_on(v) for v in CASES.values()]
    assert qif_xml(qif_results(some)) == qif_xml(qif_results(some))


#: A file of another program, in inches and radians, written by hand after the published schema.
INCHES = """<?xml version="1.0" encoding="UTF-8"?>
<q:QIFDocument xmlns:q="http://qifstandards.org/xsd/qif3" versionQIF="3.0.0" idMax="9"><q:QPId>x</q:QPId>
<q:FileUnits><q:PrimaryUnits>
<q:AngularUnit><q:UnitName>rad</q:UnitName></q:AngularUnit>
<q:LinearUnit><q:UnitName>inch</q:UnitName>
<q:UnitConversion><q:Factor>0.0254</q:Factor></q:UnitConversion></q:LinearUnit></q:PrimaryUnits></q:FileUnits>
<q:Characteristics><q:FormalStandardId>9</q:FormalStandardId><q:CharacteristicDefinitions n="1">
<q:DiameterCharacteristicDefinition id="1"><q:Tolerance><q:MaxValue>0.01</q:MaxValue><q:MinValue>-0.02</q:MinValue>
<q:DefinedAsLimit>false</q:DefinedAsLimit></q:Tolerance></q:DiameterCharacteristicDefinition>
</q:CharacteristicDefinitions><q:CharacteristicNominals n="1"><q:DiameterCharacteristicNominal id="2">
<q:CharacteristicDefinitionId>1</q:CharacteristicDefinitionId><q:TargetValue>2</q:TargetValue>
</q:DiameterCharacteristicNominal></q:CharacteristicNominals><q:CharacteristicItems n="1">
<q:DiameterCharacteristicItem id="3"><q:Name>OD</q:Name><q:CharacteristicNominalId>2</q:CharacteristicNominalId>
</q:DiameterCharacteristicItem></q:CharacteristicItems></q:Characteristics>
<q:Results><q:MeasurementResultsSet n="1"><q:MeasurementResults id="4"><q:MeasuredCharacteristics>
<q:CharacteristicMeasurements n="2"><q:DiameterCharacteristicMeasurement id="5"><q:Status>
<q:CharacteristicStatusEnum>PASS</q:CharacteristicStatusEnum></q:Status>
<q:CharacteristicItemId>3</q:CharacteristicItemId>
<q:Value combinedUncertainty="0.001" meanError="0">2.005</q:Value></q:DiameterCharacteristicMeasurement>
<q:FlatnessCharacteristicMeasurement id="6"/>
</q:CharacteristicMeasurements></q:MeasuredCharacteristics><q:InspectionStatus>
<q:InspectionStatusEnum>PASS</q:InspectionStatusEnum></q:InspectionStatus></q:MeasurementResults>
</q:MeasurementResultsSet></q:Results></q:QIFDocument>"""


def test_other_units_and_limits_as_deviations_are_turned_into_ours():
    (part,) = read_qif(INCHES.encode()).parts
    (diameter,) = part.figures
    assert part.left_out == ("Flatness",)
    assert diameter.value == pytest.approx(2.005 * 25.4)
    assert diameter.u == pytest.approx(0.0254)
    assert (diameter.nominal, diameter.lower, diameter.upper) == pytest.approx((50.8, 1.98 * 25.4, 2.01 * 25.4))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('CharacteristicMeasurements n="2"', 'CharacteristicMeasurements n="3"', "says n = '3' and holds 2"),
        (' meanError="0"', "", "stand together or not at all"),
        (">2.005<", ">2.015<", "lies outside its limits"),
        (">2.005<", ">nan<", "is not a number"),
        ("CharacteristicItemId>3<", "CharacteristicItemId>77<", "refers to id '77'"),
        ('id="2"', 'id="1"', "stands twice"),
        (">PASS<", ">SUPER<", "not a word of the standard"),
        ('versionQIF="3.0.0"', 'versionQIF="2.1"', "version 3 is read"),
        ("q:Results>", "q:Other>", "holds no measurement results"),
        ("QIFDocument", "Document", "is not a QIF 3 document"),
        ("</q:QIFDocument>", "", "is not XML"),
        ("<q:Value ", '<q:Value linearUnit="mm" ', "unit of its own"),
    ],
)
def test_a_file_that_contradicts_itself_is_refused_in_one_line(old, new, words):
    with pytest.raises(ExchangeError, match=words) as refused:
        read_qif(INCHES.replace(old, new).encode(), "other.qif")
    assert str(refused.value).startswith("other.qif: ") and "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "doctype",
    [
        '<!DOCTYPE q [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]>',
        '<!DOCTYPE q [<!ENTITY file SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE q SYSTEM "http://localhost:1/q.dtd">',
        "<!DOCTYPE q>",
    ],
)
def test_a_document_type_is_refused(doctype):
    with pytest.raises(ExchangeError, match="DOCTYPE"):
        read_qif(INCHES.replace("?>", "?>" + doctype, 1).encode())


@pytest.mark.parametrize("data", [b"", b"\x00\x01", b"\xff\xd8\xff\xe0 jpeg", b"<a>", b"<a>&b;</a>", b"plain"])
def test_what_is_not_xml_is_refused(data):
    with pytest.raises(ExchangeError, match="is not XML"):
        read_qif(data)


def test_bottomless_nesting_is_refused():
    with pytest.raises(ExchangeError, match="nested"):
        parse_xml(b"<a>" * (MOST_LEVELS + 1), "deep")
