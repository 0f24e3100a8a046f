"""The result file: its schema, what it holds, and how it is written."""

from __future__ import annotations

import json
from dataclasses import replace

import jsonschema
import made_patterns as made
import pytest
from knurlsight import result
from knurlsight.errors import OutputError
from knurlsight.output import check_writable, write_text
from photoscale.quantity import Quantity

SHAPES = {
    "pass": lambda: made.inspected(made.pattern()),
    "fail": lambda: made.inspected(made.pattern(families=(made.family("right", 1.2), made.family("left", ghost=0.4)))),
    "no scale": lambda: made.inspected(made.pattern(), no_scale="no scale in the photo"),
    "no setup": lambda: made.inspected(made.pattern(), None),
    "not readable": lambda: made.inspected(made.nothing()),
    "square": lambda: made.inspected(made.pattern("RKE", (made.family("axial"), made.family("ring"))), None),
    "two parts": lambda: made.inspected(made.pattern(), parts=2),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_of_result_validates_against_the_shipped_schema(shape):
    written = json.loads(result.json_text(result.result_of(SHAPES[shape]())))
    jsonschema.Draft202012Validator(result.shipped_schema()).validate(written)
    assert result.ResultFile.model_validate(written)


def test_the_shipped_schema_is_current():
    # python -m knurlsight.result > inspect/knurlsight/result_schema.json
    assert result.shipped_schema() == json.loads(result.schema_text())
    jsonschema.Draft202012Validator.check_schema(result.shipped_schema())


def test_keys_are_those_of_the_contract():
    written = json.loads(result.json_text(result.result_of(SHAPES["fail"]())))
    assert set(written) == {
        "schema_version",
        "tool_version",
        "verdict",
        "reasons",
        "notes",
        "photos",
        "scale",
        "setup",
        "expected",
        "parts",
    }
    assert set(written["photos"][0]) == {"file", "sha256", "width_px", "height_px", "taken_at", "focal_length"}
    assert set(written["scale"]) == {"source", "mm_per_px", "distance_mm", "budget", "notes"}
    part = written["parts"][0]
    assert set(part) == {
        "id",
        "outline_px",
        "zone_px",
        "axis_px",
        "seen_arc",
        "outside_diameter",
        "form",
        "verdict",
        "reasons",
        "families",
        "included_angle",
        "balance",
        "form_fill",
        "knurled_length",
        "full_form_length",
        "ends",
        "faults",
        "checks",
        "causes",
    }
    assert set(part["families"][0]) == {
        "hand",
        "normal_pitch",
        "transverse_pitch",
        "axial_pitch",
        "helix_angle",
        "teeth",
        "teeth_whole",
        "fill",
        "strength",
        "double_track",
    }
    assert set(part["families"][0]["double_track"]) == {"present", "ghost_ratio", "offset_fraction", "extent"}
    assert set(part["checks"][0]) == {"name", "at", "measured", "nominal", "lower", "upper", "verdict", "words"}
    assert set(part["causes"][0]) == {"cause", "evidence", "remedy", "likelihood"}
    assert set(part["ends"][0]) == {"px", "fade", "full_form_from"}
    assert set(part["balance"]) == {"value", "u", "unit"}
    assert len(part["zone_px"]) == 4 and len(part["axis_px"]) == 2 and len(part["ends"]) == 2


def test_zone_corners_run_end_1_upper_end_2_upper_end_2_lower_end_1_lower():
    part = json.loads(result.json_text(result.result_of(SHAPES["pass"]())))["parts"][0]
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = part["zone_px"]
    assert x0 < x1 and x3 < x2 and y0 < y3 and y1 < y2


def test_a_missing_figure_has_its_reason_in_the_notes():
    bare = replace(made.pattern(), balance=None, full_form_length=None)
    written = result.result_of(made.inspected(bare))
    assert written.parts[0].balance is None
    assert any("not measured" in n and "balance" in n and "length of full form" in n for n in written.notes)
    without = result.result_of(SHAPES["no scale"]())
    assert without.scale is None and "no lengths in mm: no scale in the photo" in without.notes


def test_figures_that_are_not_finite_are_never_written():
    with pytest.raises(ValueError):
        result.Q(value=float("nan"), u=0.1, unit="mm")
    with pytest.raises(ValueError):
        Quantity(float("inf"), 0.1)


def test_the_setup_goes_with_the_result_and_its_hash_depends_on_what_it_says_alone():
    one = result.result_of(made.inspected(made.pattern())).setup
    other = result.result_of(made.inspected(made.pattern(), "# a remark\n" + made.SETUP)).setup
    changed = result.result_of(made.inspected(made.pattern(), made.SETUP.replace("1.0 mm", "1.1 mm"))).setup
    assert one is not None and other is not None and changed is not None
    assert one.content_hash == other.content_hash != changed.content_hash
    assert one.content["part"]["name"] == "invented knob"


def test_one_line_holds_the_same():
    made_result = result.result_of(SHAPES["two parts"]())
    line = result.json_line(made_result)
    assert line.count("\n") == 1
    assert json.loads(line) == json.loads(result.json_text(made_result))


# --- writing ---------------------------------------------------------------------------------------------------------


def test_a_file_is_replaced_whole_and_leaves_nothing_behind(tmp_path):
    target = tmp_path / "r.json"
    write_text(target, "old")
    write_text(target, "new")
    assert target.read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["r.json"]


def test_a_failed_write_keeps_the_old_file(tmp_path, monkeypatch):
    target = tmp_path / "r.json"
    write_text(target, "old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("knurlsight.output.os.fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        write_text(target, "new")
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["r.json"]


def test_outputs_that_cannot_be_written_are_refused_beforehand(tmp_path):
    photo = tmp_path / "p.jpg"
    photo.write_bytes(b"x")
    for path, words in (
        (tmp_path, "is a folder"),
        (tmp_path / "none" / "r.json", "is missing"),
        (photo, "is also an input"),
    ):
        with pytest.raises(OutputError, match=words):
            check_writable(path, [photo])
    check_writable(tmp_path / "r.json", [photo])
