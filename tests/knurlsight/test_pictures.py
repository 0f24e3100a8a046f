"""Traces of the measured pattern in the photo, the annotated picture and the report."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import made_patterns as made
import numpy as np
import pytest
from knurlsight.measuring import trace
from knurlsight.reporting import annotate, pictures
from knurlsight.reporting.report import html
from photoscale.cylinder import cylinder_from_silhouette

HANDS = ("right", "left", "axial", "ring")


@pytest.mark.parametrize("hand", HANDS)
def test_traced_ridges_lie_where_the_figures_put_them(hand):
    family = made.family(hand)
    outline = made.outline(angle_deg=20.0)
    ridges = trace.ridges(outline, family)
    assert 5 <= len(ridges) <= 12
    for ridge in ridges:
        theta, z, _ = outline.cylinder.meet(outline.camera.rays(ridge))
        along = family.sign / family.axial_pitch_radii if math.isfinite(family.axial_pitch_radii) else 0.0
        turns = family.teeth_fit * theta / math.tau + along * z + family.phase_turns
        # ridges are half way between the groove centre lines, where the count is whole
        assert np.abs(turns - 0.5 - np.round(turns - 0.5)).max() < 1e-6


def test_a_right_hand_ridge_falls_to_the_right_on_a_level_part():
    # with the axis upright it rises to the right on the near side; turned level it runs from top left to bottom right
    for hand, falls in (("right", True), ("left", False)):
        for ridge in trace.ridges(made.outline(), made.family(hand)):
            (x0, y0), (x1, y1) = ridge[0], ridge[-1]
            assert bool((y1 - y0) * (x1 - x0) > 0) is falls


def test_the_zone_border_keeps_inside_the_silhouette():
    outline = made.outline()
    seen = cylinder_from_silhouette(outline.camera, outline.edges_px[0], outline.edges_px[1])
    assert seen.distance == pytest.approx(made.DISTANCE_RADII, rel=1e-6)
    border = trace.zone_border(outline)
    assert border[:, 1].min() >= outline.edges_px[0, :, 1].min() - 0.5
    assert border[:, 1].max() <= outline.edges_px[1, :, 1].max() + 0.5


def test_a_wrong_measurement_is_drawn_elsewhere():
    right = made.family("right")
    wrong = replace(right, teeth_fit=right.teeth_fit * 1.1)
    a, b = (np.vstack(trace.ridges(made.outline(), f)) for f in (right, wrong))
    assert not np.allclose(a[:100], b[:100], atol=2.0)


@pytest.mark.parametrize("size", [(64, 80), (900, 1200), (3000, 4000)])
@pytest.mark.parametrize("verdict", ["pass", "fail", "cannot_tell", None])
def test_the_picture_is_as_wide_as_can_be_read_at_any_size(size, verdict):
    photo = np.full((*size, 3), 120, np.uint8)
    out = annotate.picture(photo, [], verdict, ["a reason that is long enough to be broken into rows " * 2])
    assert out.dtype == np.uint8 and out.shape[2] == 3
    assert min(out.shape[:2]) >= 100 and max(out.shape[:2]) <= 2600
    banner = out[5, out.shape[1] // 2]
    assert tuple(banner[::-1]) == annotate.VERDICT_COLOURS[verdict]


def test_the_photo_is_not_changed():
    photo = np.full((900, 1200, 3), 120, np.uint8)
    made_part = annotate.Drawn(made.outline(), made.pattern().families, "A1", "pass")
    annotate.picture(photo, [made_part], "pass", ["fine"])
    annotate.close_up(photo, made_part)
    assert (photo == 120).all()


def test_ridges_are_drawn_in_the_colour_of_their_family():
    photo = np.zeros((900, 1200, 3), np.uint8)
    part = annotate.Drawn(made.outline(), (made.family("right"),), "A1", "pass")
    out = annotate.picture(photo, [part], "pass", ["fine"])
    assert (np.abs(out[:, :, ::-1].astype(int) - annotate.ORANGE).max(axis=2) < 12).sum() > 500
    assert (np.abs(out[:, :, ::-1].astype(int) - annotate.SKY).max(axis=2) < 12).sum() == 0


def test_png_and_jpeg_bytes():
    picture = pictures.annotated(made.inspected(made.pattern()))
    assert pictures.encoded(picture, ".png").startswith(b"\x89PNG")
    assert pictures.encoded(picture, ".jpg").startswith(b"\xff\xd8\xff")


def test_spectrum_marks_stand_on_the_peaks():
    pattern = made.pattern()
    assert pattern.spectrum is not None
    for family in pattern.families:
        along, around = pictures._peak(family)
        col = int(np.argmin(np.abs(pattern.spectrum.cycles_per_radius_along - along)))
        row = int(np.argmin(np.abs(pattern.spectrum.cycles_per_radius_around - around)))
        near = pattern.spectrum.power[row - 2 : row + 3, col - 2 : col + 3].max()
        assert near > 100 * np.median(pattern.spectrum.power)


# --- the report ------------------------------------------------------------------------------------------------------


class Outside(HTMLParser):
    """Collects everything that the page would fetch or run."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "link", "iframe", "object"):
            self.found.append(tag)
        for name, value in attrs:
            if name in ("src", "href") and not (value or "").startswith(("data:", "#")):
                self.found.append(f"{tag} {name}={value}")
            if name.startswith("on"):
                self.found.append(f"{tag} {name}")


def test_the_report_holds_everything_and_needs_nothing():
    bad = made.pattern(families=(made.family("right", 1.2), made.family("left", ghost=0.4)))
    text = html(made.inspected(bad))
    page = Outside()
    page.feed(text)
    assert page.found == [] and "url(" not in text and "@import" not in text
    for words in (
        "Fail",
        "of the 100° in view",
        "1.200 ± 0.007 mm",
        "0.96 to 1.04 mm",
        "invented knob",
        "one wheel dull or stiff on its pin",
        "Stop the spindle",
        "micrometer",
        "known diameter",
        "The zone unrolled",
        "Spectrum of the unrolled zone",
        "default",
        "0" * 64,
    ):
        assert words in text, words
    assert text.count("data:image/jpeg;base64,") == 4
    assert len(re.findall(r"<tr><td>.*?family", text)) > 4


def test_names_are_a_strangers_and_never_markup():
    setup = made.SETUP.replace("invented knob", "<script>alert(1)</script>")
    inspection = made.inspected(made.pattern(), setup)
    inspection = replace(inspection, photos=(replace(inspection.photos[0], name="<img src=x onerror=y>.jpg"),))
    page = Outside()
    page.feed(html(inspection))
    assert page.found == []


@pytest.mark.parametrize(
    "shape",
    [
        lambda: made.inspected(made.nothing()),
        lambda: made.inspected(made.pattern(), None),
        lambda: made.inspected(made.pattern(surface=None, spectrum=None), no_scale="no scale"),
        lambda: made.inspected(made.pattern(), parts=3),
    ],
)
def test_every_shape_of_inspection_makes_a_report(shape):
    assert "Before you photograph or touch the part" in html(shape(), "in")
