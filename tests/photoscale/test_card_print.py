"""The printed card is the card that is looked for, in true size."""

from __future__ import annotations

import io
import re
import zlib

import cv2
import numpy as np
import pytest
from photoscale.card import card_board, find_card
from photoscale.card_print import BAR_MM, PAPERS, card_pdf, card_png, card_sheet, card_svg
from photoscale.words import CardWord
from PIL import Image
from reportlab.pdfbase.pdfmetrics import stringWidth


def test_png_is_opencv_s_own_board() -> None:
    # OpenCV draws the same board: an independent drawing of every square and bit
    picture = np.asarray(Image.open(io.BytesIO(card_png(24))))
    board = picture[5 * 24 : 55 * 24, 5 * 24 : 85 * 24]
    own = np.asarray(card_board().generateImage((80 * 24, 50 * 24)))
    assert board.shape == own.shape
    assert np.mean(board != own) < 0.002


def test_png_carries_its_resolution_and_is_found() -> None:
    image = Image.open(io.BytesIO(card_png(24)))
    assert image.info["dpi"] == pytest.approx((609.6, 609.6), abs=0.1)
    small = cv2.resize(np.asarray(image), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    reading = find_card(small, CardWord(10.0, 0.03, True))
    assert len(reading.points_px) == 28
    # 12 px a mm, 5 mm of margin
    assert np.abs((reading.points_px + 0.5) / 12 - 5 - reading.points_mm).max() < 0.02


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pdf_is_true_to_size_and_the_same_each_time(paper: str) -> None:
    data = card_pdf(paper)  # type: ignore[arg-type]
    assert data == card_pdf(paper)  # type: ignore[arg-type]
    box = re.search(rb"/MediaBox \[ *0 0 ([\d.]+) ([\d.]+)", data)
    assert box
    # 72 points are an inch of 25.4 mm
    assert [float(v) * 25.4 / 72 for v in box.groups()] == pytest.approx(PAPERS[paper], abs=0.01)
    assert b"/PrintScaling /None" in data
    import base64

    streams = [
        zlib.decompress(base64.a85decode(s, adobe=False)) if b"ASCII85" in data else zlib.decompress(s)
        for s in re.findall(rb"stream\r?\n(.*?)~?>?\r?\n?endstream", data, re.S)
    ]
    sizes = [
        (float(w) * 25.4 / 72, float(h) * 25.4 / 72)
        for s in streams
        for w, h in re.findall(rb"[\d.]+ [\d.]+ ([\d.]+) ([\d.]+) re f", s)
    ]
    long = [max(size) for size in sizes if max(size) > 20]
    assert long == pytest.approx([BAR_MM, BAR_MM], abs=0.001)
    assert sum(abs(w - 10) < 0.001 and abs(h - 10) < 0.001 for w, h in sizes) == 20


def test_svg_gives_millimetres() -> None:
    assert 'width="90mm" height="60mm" viewBox="0 0 90 60"' in card_svg()
    assert 'width="210mm" height="297mm"' in card_svg("a4")


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nothing_hangs_over_the_page(paper: str) -> None:
    sheet = card_sheet(paper)  # type: ignore[arg-type]
    for r in sheet.rectangles:
        assert r.x > 5
        assert r.x + r.width < sheet.width - 5
        assert r.y + r.height < sheet.height - 5
    for t in sheet.captions:
        wide = stringWidth(t.text, "Helvetica", t.size * 1.4)
        assert t.x + wide < sheet.width - 8
