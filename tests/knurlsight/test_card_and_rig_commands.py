"""The second sheet of the card, and the picture and the figures of a rig, from the command line."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from knurlsight import cli
from photoscale.card import card_board


@pytest.fixture
def photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A drawn card before a camera of 2000 px focal length, turned about several axes."""
    monkeypatch.setenv("PHOTOSCALE_RIGS", str(tmp_path / "rigs"))
    board = cv2.copyMakeBorder(card_board().generateImage((800, 500)), 50, 50, 50, 50, cv2.BORDER_CONSTANT, value=255)
    k = np.array([[2000.0, 0, 799.5], [0, 2000.0, 599.5], [0, 0, 1]])
    flat = np.array([[0, 0], [90, 0], [90, 60], [0, 60]], np.float64)
    corners = np.array([[0, 0], [899, 0], [899, 599], [0, 599]], np.float32)
    names = []
    for i, turn in enumerate([(0, 0, 0), (0.5, 0, 0.1), (-0.5, 0.1, 0), (0, 0.5, 0.2), (0.1, -0.5, 0)]):
        rotation = np.asarray(cv2.Rodrigues(np.array(turn, np.float64))[0])
        world = np.column_stack([flat - [45, 30], np.zeros(4)]) @ rotation.T + [0, 0, 150.0]
        seen = (world @ k.T)[:, :2] / (world @ k.T)[:, 2:]
        warp = cv2.getPerspectiveTransform(corners, seen.astype(np.float32))
        names.append(str(tmp_path / f"card{i}.png"))
        cv2.imwrite(names[-1], cv2.warpPerspective(board, warp, (1600, 1200), borderValue=(128.0,)))
    return names


def test_coverage_and_figures_of_a_rig(photos: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = tmp_path / "corners.png"
    assert cli.run(["rig", "make", "stand", *photos, "--card", "card:10mm", "--coverage", str(picture)]) == 0
    assert picture.read_bytes().startswith(b"\x89PNG")
    capsys.readouterr()
    assert cli.run(["rig", "show", "stand"]) == 0
    shown = capsys.readouterr().out
    assert "1600 x 1200 px" in shown
    focal, u = (float(w) for w in shown.split("focal length ")[1].split(" px")[0].split(" ± "))
    assert abs(focal - 2000) < max(2 * u, 10.0)
    assert cli.run(["rig", "show", "other"]) == 2


def test_the_picture_is_made_where_photos_make_no_rig(photos: list[str], tmp_path: Path) -> None:
    picture = tmp_path / "corners.png"
    assert cli.run(["rig", "make", "few", photos[0], "--card", "card:10mm", "--coverage", str(picture)]) == 2
    assert picture.exists()
    assert cli.run(["rig", "make", "few", *photos, "--coverage", str(tmp_path / "corners.doc")]) == 2
    assert cli.run(["rig", "make", "few", *photos, "--coverage", photos[0]]) == 2  # never over a photo


def test_the_tray_insert_is_a_second_page(tmp_path: Path) -> None:
    alone, both = tmp_path / "card.pdf", tmp_path / "both.pdf"
    assert cli.run(["card", str(alone)]) == 0
    assert cli.run(["card", str(both), "--tray"]) == 0
    assert len(both.read_bytes()) > len(alone.read_bytes())
    assert cli.run(["card", str(tmp_path / "card.svg"), "--tray"]) == 2
    assert not (tmp_path / "card.svg").exists()
