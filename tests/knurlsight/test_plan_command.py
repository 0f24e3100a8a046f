"""The plan command: options, files, refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from knurlsight.commands import plan_command
from knurlsight.errors import KnurlsightError, PlanError
from knurlsight.setup_math.expected import ExpectedPattern
from knurlsight.setup_math.setup import read_setup
from typer.testing import CliRunner

app = typer.Typer(pretty_exceptions_enable=False)


@app.callback()
def main() -> None:
    """Only so that plan is a command of its own."""


plan_command.register(app)
KNOB = ["plan", "--form", "RGE", "--pitch", "0.8mm", "--outside-diameter", "20mm"]


def run(*words: str) -> str:
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.stderr
    return result.stdout


def test_json() -> None:
    plan = json.loads(run(*KNOB, "--blank-diameter", "19.46mm", "--helix", "30deg", "--json", "-"))
    pattern = ExpectedPattern.model_validate(plan["expected"])
    assert pattern.families[0].teeth == 66
    chosen = plan["blanks"][plan["chosen"]]
    assert chosen["blank_diameter_mm"] == 19.46
    assert chosen["outside_diameter_mm"] == pytest.approx(chosen["blank_diameter_mm"] + chosen["growth_mm"])


def test_screen_says_radius_or_diameter_and_warns() -> None:
    text = run(*KNOB, "--material", "brass", "--explain")
    for words in (
        "on the radius",
        "on the diameter",
        "common practice",
        "no gloves",
        "spring of your machine",
        "source:",
    ):
        assert words in text


def test_inch_in_inch_out() -> None:
    text = run("plan", "--form", "RGE", "--pitch", "21tpi", "--outside-diameter", "1in")
    assert "0.9666 in (24.551 mm)" in text


def test_simulation_table() -> None:
    text = run(*KNOB, "--simulate")
    assert "a model and no more" in text
    assert text.count(" t ") >= 33


def test_files(tmp_path: Path) -> None:
    setup, pdf, page, svg, png = (tmp_path / n for n in ("s.toml", "s.pdf", "s.html", "t.svg", "t.png"))
    run(*KNOB, "--setup-out", str(setup), "--sheet", str(pdf), "--picture", str(svg), "--name", "<b>knob & co</b>")
    run(*KNOB, "--sheet", str(page), "--picture", str(png), "--name", "<b>knob & co</b>")
    assert read_setup(setup).part.name == "<b>knob & co</b>"
    assert pdf.read_bytes().startswith(b"%PDF-") and pdf.read_bytes().count(b"/Type /Page\n") == 1
    html = page.read_text()
    assert "&lt;b&gt;knob &amp; co&lt;/b&gt;" in html and "<b>knob" not in html
    assert "http://" not in html.replace("http://www.w3.org/2000/svg", "") and "https://" not in html
    assert svg.read_text().startswith("<svg")
    assert png.read_bytes().startswith(b"\x89PNG")


def test_the_same_plan_gives_the_same_pdf(tmp_path: Path) -> None:
    one, two = tmp_path / "1.pdf", tmp_path / "2.pdf"
    for path in (one, two):
        run(*KNOB, "--sheet", str(path))
    assert one.read_bytes() == two.read_bytes()


def test_wheels_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "wheel.toml"
    file.write_text('[[wheel]]\ncode = "BL"\nteeth = 68\ndiameter = "20 mm"\nhelix = "30 deg"\n')
    plan = json.loads(run("plan", "--form", "RGE", "--wheels", str(file), "--outside-diameter", "20mm", "--json", "-"))
    assert [w["code"] for w in plan["setup"]["wheel"]] == ["BR", "BL"]
    assert plan["setup"]["wheel"][0]["teeth"] == 68


def test_backwards(tmp_path: Path) -> None:
    def q(value: float, u: float, unit: str) -> dict[str, object]:
        return {"value": value, "u": u, "unit": unit}

    result = tmp_path / "result.json"
    family = {"hand": "left", "teeth": q(66.05, 0.05, ""), "teeth_whole": 66, "axial_pitch": q(1.602, 0.004, "mm")}
    part = {"form": "RGE", "outside_diameter": q(19.96, 0.02, "mm"), "families": [family]}
    result.write_text(json.dumps({"parts": [part]}))
    assert "Only 0.8 mm explains it." in run("plan", "--from-result", str(result))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["plan"], "no form is given"),
        (["plan", "--form", "XYZ"], "'XYZ' is not a form"),
        ([*KNOB, "--pitch", "-0.8mm"], "--pitch: '-0.8mm' is not a pitch above nought"),
        ([*KNOB, "--pitch", "0.8 bananas"], "--pitch"),
        ([*KNOB, "--helix", "90deg"], "--helix: '90deg' is not an angle"),
        ([*KNOB, "--blank-diameter", "21mm"], "rolling makes a part larger"),
        ([*KNOB, "--outside-limits", "20.1..19.9mm"], "--outside-limits"),
        (["plan", "--form", "RGE", "--pitch", "0.8mm", "--outside-limits", "+-0.1mm"], "are deviations"),
        ([*KNOB, "--wheel-width", "8mm", "--knurl-length", "5mm"], "wider than the knurl"),
        ([*KNOB, "--holder", "pliers"], "--holder"),
        ([*KNOB, "--method", "luck"], "--method"),
        ([*KNOB, "--tooth-angle", "10deg"], "--tooth-angle"),
        ([*KNOB, "--unit", "furlong"], "--unit"),
        ([*KNOB, "--sheet", "sheet.docx"], "neither .pdf nor .html"),
        ([*KNOB, "--picture", "sheet.gif"], "neither .svg nor .png"),
        ([*KNOB, "--json", "/no/such/folder/x.json"], "/no/such/folder"),
        ([*KNOB, "--wheels", "/no/such.toml"], "does not exist"),
        (["plan", "--from-result", "/no/such.json"], "is not a result file"),
        (["plan", "--form", "RGE", "--wheel-teeth", "1", "--wheel-diameter", "20mm"], "is not a number of teeth"),
    ],
)
def test_refusals(words: list[str], said: str) -> None:
    with pytest.raises(KnurlsightError) as caught:
        CliRunner().invoke(app, words, catch_exceptions=False)
    assert said in caught.value.message
    assert "\n" not in caught.value.message


def test_nothing_is_half_written(tmp_path: Path) -> None:
    with pytest.raises(PlanError):
        CliRunner().invoke(
            app,
            [*KNOB, "--setup-out", str(tmp_path / "s.toml"), "--sheet", str(tmp_path / "s.txt")],
            catch_exceptions=False,
        )
    assert list(tmp_path.iterdir()) == []
