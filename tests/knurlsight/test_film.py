"""Films: turning in teeth, the count when the part is round, films that stop short, files that are no film."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from bench_scene import Caliper, CameraPose, Part, Scene, Segment, Sensor, light_from
from knurl_height import Knurl
from knurlsight.cli import run
from knurlsight.errors import FilmError
from knurlsight.joining.film import agreement_with_all
from knurlsight.joining.film_reading import film_hash, frames
from knurlsight.joining.film_turning import detail, turning
from photoscale.quantity import Quantity
from random_scenes import form_families
from synthesiser import picture

TEETH, ROWS, COLUMNS = 40, 120, 48
THETA = np.linspace(-0.9, 0.9, ROWS)


def _speeds(frames_count: int, rng: np.random.Generator) -> np.ndarray:
    """Teeth a frame of a hand: rest, uneven turning, rest."""
    speed = 0.5 + 0.12 * np.sin(np.arange(frames_count) / 7) + rng.normal(0, 0.05, frames_count)
    speed[:4] = speed[-4:] = 0.0
    return speed


def _patches(gone: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A diamond in one light with scratches that turn along."""
    z = np.arange(COLUMNS) / 9
    scratches = cv2.GaussianBlur(rng.normal(0, 1, (ROWS * 8, COLUMNS)), (0, 0), 1.0)
    scratches /= scratches.std()
    around = np.arange(ROWS * 8) * 2 * np.pi / (ROWS * 8)
    out = []
    for g in gone:
        phase = TEETH * THETA / (2 * np.pi) - g
        light = np.cos(THETA - 0.4)[:, None]
        ridge = [np.cos(2 * np.pi * (phase[:, None] + s * z)) for s in (1, -1)]
        on_part = (THETA - g * 2 * np.pi / TEETH) % (2 * np.pi)
        marks = np.stack([np.interp(on_part, around, c, period=2 * np.pi) for c in scratches.T], axis=1)
        out.append(light * (ridge[0] + ridge[1] + 0.4 * ridge[0] * ridge[1]) + 0.2 * marks)
    return np.array(out, np.float32) + rng.normal(0, 0.1, (len(gone), ROWS, COLUMNS)).astype(np.float32)


def _turn(count: int, seed: int):
    rng = np.random.default_rng(seed)
    speed = _speeds(count - 1, rng)
    gone = np.concatenate([[0.0], np.cumsum(speed)])
    steps = (speed + rng.normal(0, 0.004, len(speed)) + 0.5) % 1 - 0.5
    seen = turning(steps, detail(_patches(gone, rng)), Quantity(TEETH + 0.5, 0.4), THETA[1] - THETA[0])
    return gone, seen


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_whole_turn_counts_the_teeth(seed):
    gone, seen = _turn(110, seed)
    assert gone[-1] > TEETH + 5
    assert np.abs(seen.teeth_gone - gone).max() < 0.3
    assert seen.whole == TEETH


@pytest.mark.parametrize("seed", [1, 2])
def test_a_film_that_stops_short_counts_nothing(seed):
    gone, seen = _turn(60, seed)
    assert gone[-1] < TEETH
    assert seen.whole is None
    assert np.abs(seen.teeth_gone - gone).max() < 0.3


@pytest.mark.parametrize(("jump", "one_set"), [(0.0, True), (0.45, False)])
def test_a_slow_seam_shows_against_the_mean_of_all_frames(jump, one_set):
    rng = np.random.default_rng(4)
    made = []
    for k in range(90):
        seam = -1.0 + k / 15  # passes the view of -1 to 1 in 30 frames
        step = jump * np.clip((THETA - seam) / 0.2, 0, 1) if k < 30 else np.zeros(ROWS)
        noise = rng.normal(0, 0.05, ROWS) + 1j * rng.normal(0, 0.05, ROWS)
        made.append([np.exp(2j * np.pi * (step - 0.4 * k)) + noise])
    assert (agreement_with_all(made) > 0.93) is one_set


# --- files -----------------------------------------------------------------------------------------------------------


def _write(path: Path, pictures: list[np.ndarray]) -> Path:
    h, w = pictures[0].shape
    film = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), 30.0, (w, h))
    for grey in pictures:
        film.write(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))
    film.release()
    return path


def test_frames_come_one_at_a_time_and_in_order(tmp_path):
    path = _write(tmp_path / "f.mp4", [np.full((240, 320), v, np.uint8) for v in (20, 120, 220)])
    means = [float(f.mean()) for f in frames(path)]
    assert means == pytest.approx([20, 120, 220], abs=4)
    assert len(film_hash(path)) == 64


@pytest.mark.parametrize("kind", ["missing", "folder", "empty", "text", "pattern", "small", "one"])
def test_what_is_no_film_is_refused_in_one_line(kind, tmp_path):
    path = tmp_path / "x.mp4"
    if kind == "folder":
        path.mkdir()
    elif kind == "empty":
        path.write_bytes(b"")
    elif kind == "text":
        path.write_text("no film at all\n" * 100)
    elif kind == "pattern":
        path = tmp_path / "x%03d.mp4"
        path.write_bytes(b"1234")
    elif kind == "small":
        _write(path, [np.zeros((96, 96), np.uint8)] * 3)
    elif kind == "one":
        _write(path, [np.zeros((240, 320), np.uint8)])
    with pytest.raises(FilmError) as caught:
        list(frames(path))
    assert path.name in caught.value.message
    assert "\n" not in caught.value.message


def test_a_network_address_is_no_film(capsys):
    assert run(["inspect", "http://127.0.0.1:9/film.mp4"]) == 2
    assert "no such file" in capsys.readouterr().err


@pytest.mark.parametrize("more", [["--turn", "60deg"], ["b.jpg"], ["--strip", "s.jpg"], ["--like", "s.jpg"]])
def test_what_does_not_go_with_a_film_is_refused(more, capsys):
    assert run(["inspect", "film.mp4", *more]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_a_strip_needs_a_film():
    assert run(["inspect", "photo.jpg", "--strip", "s.png"]) == 2


def test_the_command_says_how_much_of_a_turn_a_film_saw(tmp_path):
    knurl = Knurl(
        "RGE", 12.0, 4.0, 18.0, form_families("RGE", 12.0, 1.0, 30.0, 0.85), phase_reference_z_mm=9.0, detail_seed=3
    )
    plain = (Segment(0.0, 4.0, 5.2), Segment(18.0, 22.0, 5.2))
    scene = Scene(
        (Part(knurl, 22.0, plain),),
        camera=CameraPose(size_px=(580, 340), focal_px=2300.0, distance_mm=140.0, aim_mm=(0.0, 0.0, 6.0)),
        light=light_from("window"),
        scale=Caliper(12.0),
        sensor=Sensor(noise=0.01, jpeg_quality=None),
        colour=False,
        bench_seed=2,
    )
    turned = [replace(scene, parts=(replace(scene.parts[0], roll_deg=a),)) for a in (0.0, 0.0, 3.0, 7.0, 12.0, 17.0)]
    path = _write(tmp_path / "f.mp4", [picture(s, 5) for s in turned])
    out, strip = tmp_path / "r.json", tmp_path / "s.png"
    words = ["inspect", str(path), "--scale", "od:12mm", "--json", str(out), "--strip", str(strip)]
    assert run(words) == 0
    result = json.loads(out.read_text())
    assert [p["file"] for p in result["photos"]] == ["f.mp4"]
    assert any("turn by 17°" in n and "stops short" in n for n in result["notes"] + result["reasons"])
    assert all(f["teeth_whole"] is None for f in result["parts"][0]["families"])
    rolled = cv2.imread(str(strip), cv2.IMREAD_GRAYSCALE)
    assert rolled is not None
    assert rolled.std() > 5
