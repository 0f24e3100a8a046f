"""The documentation names everything that a user can type or meet."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer
from knurlsight import cli
from knurlsight.setup_math import setup
from knurlsight.setup_math.limits import limits
from knurlsight.setup_math.setup_model import PITCH_KEYS, SECTIONS, section_keys

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = dict(typer.main.get_command(cli.app).commands)
IN_FULL = ("inspect", "batch")


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_is_in_the_readme(name):
    assert f"`{name}`" in README or f"knurlsight {name}" in README


@pytest.mark.parametrize("name", [n for n in IN_FULL if n in COMMANDS])
def test_every_option_at_the_bench_is_in_the_readme(name):
    for parameter in COMMANDS[name].params:
        for option in parameter.opts:
            if option.startswith("--"):
                assert re.search(rf"`?{option}\b", README), f"{name} {option}"


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_option_explains_itself(name):
    for parameter in COMMANDS[name].params:
        if parameter.opts[0].startswith("-") and name in IN_FULL:
            assert parameter.help, f"{name} {parameter.opts[0]}"


@pytest.mark.parametrize("section", sorted(SECTIONS))
def test_every_setup_key_is_in_the_readme(section):
    for key in (*section_keys(section), *(PITCH_KEYS if section == "wheel" else ())):
        assert f"`{key}" in README, f"[{section}] {key}"


def test_every_limit_is_in_the_readme():
    wanted = setup.setup_from_text(
        '[part]\noutside_diameter = "20 mm"\n[pattern]\nform = "RGE"\nnormal_pitch = "1 mm"\n'
    )
    for limit in limits(wanted):
        assert limit.name == "form" or f"`{limit.name}`" in README


def test_every_exit_status_is_in_the_readme():
    for status in (
        cli.EXIT_DONE,
        cli.EXIT_FAIL,
        cli.EXIT_USAGE,
        cli.EXIT_CANNOT_TELL,
        cli.EXIT_BUG,
        cli.EXIT_INTERRUPTED,
    ):
        assert f"| {status} | " in README
        assert str(status) in cli.EPILOG


def test_linked_files_exist():
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / target).exists(), target


def test_files_named_in_the_map_exist():
    """A row begins with the folder, or with … where it goes on in the one above."""
    folder = ROOT
    for folder_word, names in re.findall(r"^\| (?:`((?:photoscale|knurlsight)/[a-z_/]*)|…)([^|]*)\|", DEVELOPERS, re.M):
        if folder_word:
            package, _, rest = folder_word.partition("/")
            inside, _, name = rest.rpartition("/")
            names = f"`{name}{names}"
            folder = ROOT / {"photoscale": "calib", "knurlsight": "inspect"}[package] / package / inside
        for name in re.findall(r"(?<![\w*])[a-z]\w*\.(?:py|toml)", names):
            assert (folder / name).exists(), folder / name
