"""Ink prints of wheels, drawn with known truth (fixtures/ink_prints.py)."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import typer
from ink_prints import InkWheel, PrintScene, draw_print
from knurlsight.commands import wheel_command
from knurlsight.commands.wheel_command import prints_of_photo, prints_text, wheel_toml
from knurlsight.errors import KnurlsightError, PlanError
from knurlsight.setup_math.setup import setup_from_text
from knurlsight.wheel_prints.wheel_print import WheelPrint
from photoscale.errors import PhotoscaleError
from typer.testing import CliRunner

SMALL = (1500, 1125)


def shoot(folder: Path, scene: PrintScene) -> Path:
    path = folder / "print.png"
    cv2.imwrite(str(path), draw_print(scene))
    return path


def read(folder: Path, scene: PrintScene, diameter: str | None = None) -> tuple[WheelPrint, ...]:
    word = "rule:1mm" if scene.scale == "rule" else "card:10mm+-0.005mm"
    return prints_of_photo(shoot(folder, scene), word, f"{scene.scale_height_mm}mm+-0.05mm", diameter)


@pytest.mark.parametrize(
    ("wheel", "turn", "hands"),
    [
        (InkWheel(teeth=51, helix_deg=30.0), 0.0, ("right", "left")),
        (InkWheel(teeth=51, helix_deg=-30.0), 25.0, ("left", "right")),
        (InkWheel(teeth=59, helix_deg=0.0), -35.0, ("axial", "axial")),
        (InkWheel(teeth=39, helix_deg=45.0, width_mm=8.0), 100.0, ("right", "left")),
    ],
)
def test_pitch_helix_and_hand(tmp_path: Path, wheel: InkWheel, turn: float, hands: tuple[str, str]) -> None:
    (one,) = read(
        tmp_path, PrintScene(wheels=(wheel,), turn_deg=turn, length_mm=80.0, size_px=SMALL, seed=int(turn) + 50)
    )
    (line,) = one.lines
    assert (line.hand_on_paper, line.hand_of_wheel) == hands
    assert line.hand_on_work == line.hand_on_paper
    # 0.1 % is in reach; what is said of the uncertainty must hold.
    assert abs(line.normal_pitch.value / wheel.normal_pitch_mm - 1.0) < 0.001
    assert abs(line.normal_pitch.value - wheel.normal_pitch_mm) < 2.0 * line.normal_pitch.u
    assert line.transverse_pitch is not None
    assert abs(line.transverse_pitch.value - wheel.transverse_pitch_mm) < 2.0 * line.transverse_pitch.u
    assert abs(line.helix.value - abs(wheel.helix_deg)) < max(2.0 * line.helix.u, 0.1)
    assert line.normal_pitch.relative_u < 0.0015
    assert one.width_mm == pytest.approx(wheel.width_mm, abs=0.5)


def test_stated_uncertainty_covers_the_scatter(tmp_path: Path) -> None:
    """Ten prints of one wheel with blots, gaps and tilts of their own: the errors must be those that are stated."""
    wheel = InkWheel(teeth=51, helix_deg=30.0)
    z = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        tilt = (float(rng.normal(0, 4)), float(rng.normal(0, 4)))
        scene = PrintScene((wheel,), 60.0, float(rng.uniform(-60, 60)), tilt_deg=tilt, size_px=(1200, 900), seed=seed)
        line = read(tmp_path, scene)[0].lines[0]
        z.append((line.normal_pitch.value - wheel.normal_pitch_mm) / line.normal_pitch.u)
    assert sum(abs(value) < 2.0 for value in z) >= 9
    assert max(abs(value) for value in z) < 3.5


def test_teeth_from_the_diameter(tmp_path: Path) -> None:
    (one,) = read(tmp_path, PrintScene(length_mm=80.0, size_px=SMALL), "15.00+-0.02mm")
    assert (one.teeth_whole, one.teeth_from) == (51, "diameter")
    (rough,) = read(tmp_path, PrintScene(length_mm=80.0, size_px=SMALL), "15.1+-0.2mm")
    assert rough.teeth_whole is None and rough.teeth is not None


def test_teeth_from_a_nick(tmp_path: Path) -> None:
    wheel = InkWheel(teeth=59, helix_deg=0.0, nick=True)
    (one,) = read(tmp_path, PrintScene(wheels=(wheel,), length_mm=150.0, size_px=SMALL, seed=4, distance_mm=300.0))
    assert (one.teeth_whole, one.teeth_from) == (59, "nick")
    assert one.diameter is not None and abs(one.diameter.value - 15.0) < 2.0 * one.diameter.u


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_blots_and_gaps_are_no_nick(tmp_path: Path, seed: int) -> None:
    scene = PrintScene(length_mm=130.0, size_px=SMALL, seed=seed, distance_mm=300.0, blots=8, gaps=8)
    (one,) = read(tmp_path, scene)
    assert one.teeth_whole is None


def test_two_bands_of_a_pair(tmp_path: Path) -> None:
    pair = (InkWheel(teeth=51), InkWheel(teeth=50, helix_deg=-30.0))
    prints = read(tmp_path, PrintScene(wheels=pair, length_mm=80.0, size_px=SMALL))
    found = {p.lines[0].hand_of_wheel: p.lines[0].normal_pitch.value for p in prints}
    assert found["left"] == pytest.approx(pair[0].normal_pitch_mm, rel=0.0015)
    assert found["right"] == pytest.approx(pair[1].normal_pitch_mm, rel=0.0015)
    toml = wheel_toml(prints)
    assert [w.code for w in setup_from_text(toml).wheels] in (["BL", "BR"], ["BR", "BL"])


def test_crossed_teeth(tmp_path: Path) -> None:
    wheel = InkWheel(crossed=True)
    (one,) = read(tmp_path, PrintScene(wheels=(wheel,), length_mm=80.0, size_px=SMALL, seed=6))
    assert {line.hand_on_paper for line in one.lines} == {"left", "right"}
    for line in one.lines:
        assert abs(line.normal_pitch.value - wheel.normal_pitch_mm) < 2.0 * line.normal_pitch.u
    assert "GE or GV" in one.notes[0]


def test_a_raised_card_is_reckoned_with(tmp_path: Path) -> None:
    """A card 2 mm over the paper at 260 mm reads 0.8 % large if that is forgotten."""
    wheel = InkWheel()
    path = shoot(tmp_path, PrintScene(length_mm=80.0, size_px=SMALL, scale_height_mm=2.0))
    (known,) = prints_of_photo(path, "card:10mm+-0.005mm", "2mm+-0.05mm", None)
    (forgotten,) = prints_of_photo(path, "card:10mm+-0.005mm", "0mm", None)
    true = wheel.normal_pitch_mm
    assert abs(known.lines[0].normal_pitch.value - true) < 2.0 * known.lines[0].normal_pitch.u
    assert forgotten.lines[0].normal_pitch.value / true - 1.0 == pytest.approx(-2.0 / 260.0, abs=0.0015)


@pytest.mark.parametrize("wheel", [InkWheel(teeth=39, helix_deg=0.0), InkWheel()], ids=["straight", "slanting"])
def test_a_rule_serves_and_says_its_doubt(tmp_path: Path, wheel: InkWheel) -> None:
    scene = PrintScene(
        wheels=(wheel,), length_mm=80.0, scale="rule", tilt_deg=(2.0, -1.0), size_px=(1800, 1350), seed=7
    )
    (one,) = read(tmp_path, scene)
    line = one.lines[0]
    assert abs(line.normal_pitch.value - wheel.normal_pitch_mm) < 2.0 * line.normal_pitch.u
    assert abs(line.helix.value - wheel.helix_deg) < 2.0 * line.helix.u
    assert line.normal_pitch.relative_u > 0.003


def test_the_command(tmp_path: Path) -> None:
    app = typer.Typer(pretty_exceptions_enable=False)
    wheel_command.register(app)
    path = shoot(tmp_path, PrintScene(length_mm=80.0, size_px=SMALL))
    out, figures = tmp_path / "wheel.toml", tmp_path / "wheel.json"
    words = [str(path), "--scale", "card:10mm+-0.005mm", "--scale-height", "0mm", "--wheel-diameter", "15mm"]
    result = CliRunner().invoke(app, [*words, "--out", str(out), "--json", str(figures)], catch_exceptions=False)
    assert result.exit_code == 0
    assert "right-hand on paper (mirrored), so the wheel is left-hand and rolls right-hand ridges" in result.stdout
    assert "Only 0.8 mm fits." in result.stdout
    (wheel,) = setup_from_text(out.read_text()).wheels
    assert (wheel.code, wheel.teeth, wheel.diameter_mm) == ("BL", 51, 15.0)
    assert json.loads(figures.read_text())["prints"][0]["teeth_whole"] == 51


def test_inch_output(tmp_path: Path) -> None:
    prints = read(tmp_path, PrintScene(length_mm=80.0, size_px=SMALL))
    assert " in" in prints_text(prints, "in")


def test_nothing_to_read_is_said(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="no print of a wheel is on the paper"):
        read(tmp_path, PrintScene(wheels=(), size_px=SMALL))
    path = shoot(tmp_path, PrintScene(wheels=(), size_px=(800, 600)))
    for words, said in [
        (("od:20mm", None, None), "is scaled by a card, a rule or mm/px"),
        (("0.05mm/px", None, None), "has no uncertainty"),
        (("card", "banana", None), "--scale-height"),
        (("card", None, "0.5mm"), "no knurling wheel"),
    ]:
        with pytest.raises(KnurlsightError, match=said) as caught:
            prints_of_photo(path, *words)
        assert "\n" not in caught.value.message
    with pytest.raises(PhotoscaleError):
        prints_of_photo(tmp_path / "none.jpg", "card", None, None)


def test_a_smeared_print_gives_no_figure(tmp_path: Path) -> None:
    picture = draw_print(PrintScene(length_mm=80.0, size_px=SMALL))
    lower = picture[picture.shape[0] // 2 + 40 :]
    picture[picture.shape[0] // 2 + 40 :] = cv2.GaussianBlur(lower, (0, 0), 6.0)
    path = tmp_path / "smeared.png"
    cv2.imwrite(str(path), picture)
    with pytest.raises(PlanError):
        prints_of_photo(path, "card", None, None)
