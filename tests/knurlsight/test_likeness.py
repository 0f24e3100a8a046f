"""Same as this one: a sample's photo as the setup."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from knurlsight.cli import run
from knurlsight.joining.likeness import differences, setup_of, with_doubt_of
from made_patterns import nothing, pattern
from photoscale.quantity import Quantity

FIXTURES = Path(__file__).parents[2] / "fixtures"
GOOD, FINER = FIXTURES / "diamond_rule.jpg", FIXTURES / "diamond_wrong_pitch.jpg"


def _words(part: Path, sample: Path, out: Path) -> list[str]:
    return ["inspect", str(part), "--like", str(sample), "--scale", "rule:1mm", "--json", str(out)]


def test_a_part_is_like_itself(tmp_path):
    assert run(_words(GOOD, GOOD, tmp_path / "r.json")) in (0, 3)
    result = json.loads((tmp_path / "r.json").read_text())
    checks = {c["name"]: c for c in result["parts"][0]["checks"]}
    assert not any(c["verdict"] == "fail" for c in checks.values())
    assert not any("different" in n for n in result["notes"])
    assert result["setup"] is not None


def test_another_pitch_is_told_as_different(tmp_path):
    out = tmp_path / "r.json"
    words = _words(FINER, GOOD, out)
    assert run(words) == 1
    notes = json.loads(out.read_text())["notes"]
    assert any(n.startswith("normal pitch") and n.endswith("different") for n in notes)


def test_uncertainties_of_both_are_in_the_checks():
    both = with_doubt_of(pattern(), pattern())
    for mine, doubtful in zip(pattern().families, both.families, strict=True):
        assert mine.normal_pitch is not None
        assert doubtful.normal_pitch is not None
        assert doubtful.normal_pitch.u == pytest.approx(2**0.5 * mine.normal_pitch.u)


def test_the_smallest_difference_that_counts_is_twice_the_joint_uncertainty():
    part = pattern(outside_diameter=Quantity(20.10, 0.03, "mm"))
    for sample, larger in ((Quantity(20.02, 0.03, "mm"), False), (Quantity(20.00, 0.03, "mm"), True)):
        found = {d.name: d for d in differences(part, pattern(outside_diameter=sample))}
        assert found["outside diameter"].larger is larger


def test_a_sample_that_could_not_be_measured_gives_no_setup():
    assert setup_of(nothing("too dark")) is None


@pytest.mark.parametrize(
    "more", [["--setup", str(FIXTURES / "diamond_rule.toml")], ["--turn", "60deg"], ["--scale", "od:20mm"]]
)
def test_what_does_not_go_with_a_sample_is_refused(more, capsys):
    assert run(["inspect", str(GOOD), "--like", str(GOOD), *more]) == 2
    assert "Traceback" not in capsys.readouterr().err
