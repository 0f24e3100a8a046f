"""Published figures that the setup math must give, one test a row of fixtures/reference_rows.csv.

The row's id is the test's id; its source stands in the row, and "memory" in its column confidence means that no text of
the standard was seen.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from knurlsight.setup_math.expected import RolledFamily, at_other_diameter, axial_pitch_mm, transverse_pitch_mm
from knurlsight.setup_math.forms import FORM_ROLLED_BY, FORMS
from knurlsight.setup_math.growth import Groove, din82_growth_mm, growth_mm, penetration_mm, sharp_depth_mm
from knurlsight.setup_math.setup_model import WheelSetup, form_of_wheels
from knurlsight.setup_math.standard_tables import (
    ASME_BLANK_TOLERANCE_IN,
    ASME_DIAMETER_CLASSES,
    ASME_TRACKING_CORRECTION_IN,
    DIN_403_BORE_MM,
    DIN_403_TEETH,
    DIN_403_WIDTHS_MM,
    MODULE_ROOT_RADIUS_MM,
    asme_wheel_diameter_in,
    asme_wheel_pitch_mm,
    din403_teeth,
    module_groove_below_blank_mm,
    wheel_teeth,
)
from knurlsight.setup_math.tracking import (
    blank_for_teeth_mm,
    blank_step_mm,
    helix_for_teeth_deg,
    teeth_on_blank,
    tracking,
)
from knurlsight.units import parse_pitch, pitch_from_diametral, pitch_from_module

FIXTURES = Path(__file__).parents[2] / "fixtures"
FORM_OF_WORD = {"straight": "RAA", "raised": "RGE", "recessed": "RGV"}
INCH = 25.4


def read(name: str) -> list[dict[str, str]]:
    with (FIXTURES / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


ROWS = {row["id"]: row for row in read("reference_rows.csv")}


def diametral(i: dict[str, Any], helix: float = 0.0) -> float:
    """Transverse pitch on the blank in inch for a diametral pitch."""
    return pitch_from_diametral(i["P"]).mm / INCH / math.cos(math.radians(helix))


def asme_tpi(i: dict[str, Any], helix: float = 0.0) -> float:
    pitch = asme_wheel_pitch_mm(i["P"])
    assert pitch is not None
    return INCH / (pitch * math.cos(math.radians(helix)))


def crest(i: dict[str, Any]) -> tuple[float, float]:
    return at_other_diameter(i.get("p_n_mm", 0.8), i.get("helix_deg", 30.0), i["d2_mm"], i["d1_mm"])


def crest_transverse_ratio(i: dict[str, Any]) -> float:
    pitch, helix = crest(i)
    return transverse_pitch_mm(pitch, helix) / transverse_pitch_mm(0.8, 30.0)


# The wheel's own allowance of 0.007 in (0.010 in for the coarser wheel) as a bite of the blank: a N / (2 z).
COMPUTED: dict[str, Callable[[dict[str, Any]], float]] = {
    "din82-k": lambda i: growth_mm(i["form"], 1.0, 1.0, i["alpha_deg"]),
    "din82-d2": lambda i: i["d1_mm"] - din82_growth_mm(i["form"], i["t_mm"]),
    "vol-k105": lambda i: growth_mm(FORM_OF_WORD[i["form"]], 1.0, 1.0, i["alpha_deg"]),
    "vol-partial": lambda i: growth_mm(FORM_OF_WORD[i["form"]], i["t_mm"], i["fill"], i["alpha_deg"]),
    "din82-depth": lambda i: sharp_depth_mm(i["t_mm"]),
    "din82-land": lambda i: Groove(i["t_mm"], 1.0 - 1.0 / 3.0).land_mm,
    "din82-penetration": lambda i: penetration_mm("RAA", 1.0),
    "trade-diam-infeed": lambda i: 2.0 * penetration_mm("RAA", i["t_mm"]),
    "din403-z": lambda i: wheel_teeth(i["d_wheel_mm"], i["t_mm"], 0.0 if "AA" in i["forms"] else 30.0),
    "helix-pt": lambda i: transverse_pitch_mm(1.0, i["helix_deg"]),
    "helix-pa": lambda i: axial_pitch_mm(1.0, i["helix_deg"]) or math.nan,
    "jis-p": lambda i: pitch_from_module(i["m_mm"]).mm,
    "jis-h": lambda i: module_groove_below_blank_mm(i["m_mm"], i["r_mm"]),
    "jis-blank-straight": lambda i: blank_for_teeth_mm(i["n"], pitch_from_module(i["m_mm"]).mm),
    "jis-blank-cross": lambda i: blank_for_teeth_mm(i["n"], transverse_pitch_mm(pitch_from_module(i["m_mm"]).mm, 30.0)),
    "jis-blank-0": lambda i: blank_step_mm(transverse_pitch_mm(pitch_from_module(i["m_mm"]).mm, 30.0)),
    "gb-h": lambda i: module_groove_below_blank_mm(i["m_mm"], i["r_mm"]),
    "mh-teeth": lambda i: teeth_on_blank(i["D_in"], diametral(i, i["psi_deg"])),
    "mh-psi": lambda i: helix_for_teeth_deg(i["N"], i["D_in"], diametral(i)) or math.nan,
    "mh-cos": lambda i: math.cos(math.radians(helix_for_teeth_deg(i["N"], 1.0, diametral(i)) or math.nan)),
    "mh-blank": lambda i: blank_for_teeth_mm(i["N"], diametral(i, i["psi_deg"])),
    "asme-teeth": lambda i: tracking(i["D_in"], diametral(i)).teeth,
    "asme-Do": lambda i: asme_wheel_diameter_in(1.0, i["P"]) or math.nan,
    "asme-tpi-": asme_tpi,
    "asme-tpid-": lambda i: asme_tpi(i, 30.0),
    "asme-pitch": lambda i: diametral(i) * INCH,
    "plunge-teeth": lambda i: teeth_on_blank(i["d_blank_in"], math.pi * i["d_wheel_in"] / i["z_wheel"]),
    "plunge-d31": lambda i: plunge_blank(i),
    "plunge-d30": lambda i: plunge_blank(i),
    "plunge-wheel": lambda i: i["d_blank_in"] * i["z_wheel"] / i["z"] - 0.010,
    "tpi": lambda i: parse_pitch(f"{i['tpi']}tpi").mm,
    "track-step-straight": lambda i: blank_step_mm(i["p_t_mm"]),
    "track-step-30": lambda i: blank_step_mm(transverse_pitch_mm(i["p_n_mm"], i["helix_deg"])),
    "track-n": lambda i: round(RolledFamily("right", i["p_n_mm"], i["helix_deg"]).teeth_on(i["d2_mm"])),
    "track-d": lambda i: blank_for_teeth_mm(i["N"], transverse_pitch_mm(i["p_n_mm"], i["helix_deg"])),
    "crest-pt": crest_transverse_ratio,
    "crest-helix": lambda i: crest(i)[1],
    "crest-pn": lambda i: crest(i)[0],
}


def plunge_blank(i: dict[str, Any]) -> float:
    """The blank with the bite that a plan reckons with, not with the maker's own allowance."""
    from knurlsight.setup_math.expected import DEFAULT_BITE_MM

    return blank_for_teeth_mm(i["z"], math.pi * i["d_wheel_in"] / i["z_wheel"], DEFAULT_BITE_MM / INCH)


def computed(row_id: str) -> Callable[[dict[str, Any]], float]:
    return COMPUTED[max((k for k in COMPUTED if row_id.startswith(k)), key=len)]


TRADE_DEPTHS = [row_id for row_id in ROWS if row_id.startswith("trade-depth")]


@pytest.mark.parametrize("row_id", [row_id for row_id in ROWS if row_id not in TRADE_DEPTHS])
def test_row(row_id: str) -> None:
    row = ROWS[row_id]
    value = computed(row_id)(json.loads(row["inputs"]))
    expected, tolerance = float(row["expected"]), float(row["tolerance"])
    assert value == pytest.approx(expected, abs=tolerance + 1e-9, rel=0), f"{row['source']} ({row['confidence']})"


@pytest.mark.parametrize("row_id", TRADE_DEPTHS)
def test_trade_depth_is_a_usual_fill(row_id: str) -> None:
    """Common practice, a how-to page: such a depth over the pitch must be a form between half and full at 90°."""
    fill = float(ROWS[row_id]["expected"]) / sharp_depth_mm(1.0)
    assert 0.5 - 1e-9 <= fill <= 1.0


@pytest.mark.parametrize("row", read("reference_din403_wheels.csv"), ids=lambda r: f"{r['d_wheel_mm']}-{r['t_mm']}")
def test_din_403_wheel_table(row: dict[str, str]) -> None:
    """DIN 403:1973-01, section 2.1, read in two scans."""
    diameter, pitch = float(row["d_wheel_mm"]), float(row["t_mm"])
    assert din403_teeth(diameter, pitch, slanting=False) == int(row["z_AA_KE_KV"])
    assert din403_teeth(diameter, pitch, slanting=True) == int(row["z_BL_BR_GE_GV"])
    assert DIN_403_WIDTHS_MM[diameter] == tuple(float(w) for w in row["widths_b_mm"].split(";"))
    assert DIN_403_BORE_MM[diameter] == float(row["bore_mm"])


def test_din_403_table_is_complete() -> None:
    assert len(DIN_403_TEETH) == len(read("reference_din403_wheels.csv"))


@pytest.mark.parametrize("row", read("reference_din82_forms.csv"), ids=lambda r: r["code"])
def test_din_82_form(row: dict[str, str]) -> None:
    """DIN 82:1973-01; the factor k of RKV read, the others from memory and confirmed by volume conservation."""
    facts = FORMS[row["code"]]
    assert facts.growth_factor == float(row["k in d2 = d1 - k t"])
    words = row["plain word"]
    assert facts.words.split(",")[0] in words
    for word in ("raised", "recessed", "left", "right"):
        assert (word in facts.words) == (word in words)
    plunged = [code for code, form in FORM_ROLLED_BY.items() if form == row["code"]]
    assert plunged[0] in row["made with wheels (DIN 403)"]


@pytest.mark.parametrize(
    ("codes", "swivel", "form"),
    [
        (["AA"], 0, "RAA"),
        (["AA"], 30, "RBR"),
        (["AA"], -30, "RBL"),
        (["BR"], 0, "RBL"),
        (["BL"], 0, "RBR"),
        (["BL", "BR"], 0, "RGE"),
        (["AA", "AA"], 30, "RGE"),
        (["GV"], 0, "RGE"),
        (["GE"], 0, "RGV"),
        (["KV"], 0, "RKE"),
        (["KE"], 0, "RKV"),
    ],
)
def test_wheels_roll_their_mirror_image(codes: list[str], swivel: float, form: str) -> None:
    """DIN 403:1973-01, table of forms: RGE from GV, RGV from GE, RKE from KV, RKV from KE, RBL from BR, RBR from BL."""
    wheels = tuple(WheelSetup.model_validate({"code": code, "pitch": "0.8 mm"}) for code in codes)
    assert form_of_wheels(wheels, swivel) == form


def test_asme_table() -> None:
    """ANSI/ASME B94.6 as in fixtures/reference_asme_b946.csv; its column confidence says what is from memory."""
    rows = {row["item"]: row for row in read("reference_asme_b946.csv")}
    columns = {64: "P64", 96: "P96", 128: "P128", 160: "P160"}
    for index, (pitch, column) in enumerate(columns.items()):
        printed = float(rows["transverse pitch on blank pi/P"][column])
        assert pitch_from_diametral(pitch).mm / INCH == pytest.approx(printed, abs=0.000005001)
        assert ASME_TRACKING_CORRECTION_IN[pitch] == float(rows["tracking correction factor Q"][column])
        assert ASME_BLANK_TOLERANCE_IN[pitch] == float(rows["work-blank tolerance plus or minus"][column])
        for limits in ASME_DIAMETER_CLASSES:
            assert limits.upper_in[index] == float(rows[f"knurled OD class {limits.name} upper"][column])
            assert limits.lower_in[index] == float(rows[f"knurled OD class {limits.name} lower"][column])


@pytest.mark.parametrize("module", [0.2, 0.3, 0.5])
def test_jis_root_radius(module: float) -> None:
    """JIS B 0951:1962, table."""
    assert MODULE_ROOT_RADIUS_MM[module] == json.loads(ROWS[f"jis-h-{module:g}"]["inputs"])["r_mm"]


def test_asme_tooth_depths_are_half_the_pitch() -> None:
    """Printed depths, from memory and of low confidence, lie within 0.001 in of the sharp 90° depth."""
    rows = {row["item"]: row for row in read("reference_asme_b946.csv")}
    for pitch, column in {64: "P64", 96: "P96", 128: "P128", 160: "P160"}.items():
        transverse = pitch_from_diametral(pitch).mm / INCH
        normal = transverse * math.cos(math.radians(30.0))
        assert sharp_depth_mm(transverse) == pytest.approx(float(rows["tooth depth straight"][column]), abs=0.001)
        assert sharp_depth_mm(normal) == pytest.approx(float(rows["tooth depth diagonal"][column]), abs=0.001)
