"""Readable and usable: contrasts, places to press, labels, words in one file, weight of a page."""

from __future__ import annotations

import gzip
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import get_args

import pytest
from bench_doubles import client, hand_in, running_bench, wait_for
from knurlsight.bench import rendering, submissions
from knurlsight.bench.texts import texts
from knurlsight.records.chain import EntryKind
from knurlsight.reporting import annotate

ROOT = Path(rendering.__file__).parent
CSS = (ROOT / "static" / "bench.css").read_text(encoding="utf-8")
SOURCES = {p.name: p.read_text(encoding="utf-8") for p in (*ROOT.glob("templates/*.html"), *ROOT.glob("static/*.js"))}

#: Foreground on background; the names are those of the style sheet.
TEXT_PAIRS = [
    ("ink", "paper"), ("ink", "panel"), ("soft", "paper"), ("soft", "panel"), ("act", "paper"), ("act", "panel"),
    ("on-act", "act"), ("on-verdict", "pass"), ("on-verdict", "fail"), ("on-verdict", "unsure"), ("on-verdict", "seen"),
]  # fmt: skip
SHAPE_PAIRS = [("line", "paper"), ("note", "paper"), ("act", "paper")]


def colours(theme: str) -> dict[str, str]:
    light, dark = re.findall(r'^:root(?:\[data-theme="dark"\])? \{(.*?)\}', CSS, re.S | re.M)
    found = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))
    return found if theme == "light" else found | dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", dark))


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_reckoning_of_contrast_itself():
    # WCAG 2.2: black on white is 21 : 1, the largest there is; #767676 on white is its best known edge of 4.5 : 1
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert 4.5 <= contrast("#767676", "#ffffff") < 4.6


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_contrast_of_text_and_of_shapes(theme):
    found = colours(theme)
    for front, back in TEXT_PAIRS:  # WCAG 2.2, 1.4.3 (AA): 4.5 : 1
        assert contrast(found[front], found[back]) >= 4.5, (front, back)
    for front, back in SHAPE_PAIRS:  # WCAG 2.2, 1.4.11 (AA): 3 : 1
        assert contrast(found[front], found[back]) >= 3, (front, back)


def test_dark_by_choice_and_dark_by_the_phone_are_the_same():
    by_phone = re.search(r"prefers-color-scheme: dark\) \{\s*:root\[data-theme=\"auto\"\] \{(.*?)\}", CSS, re.S)[1]
    dark = colours("dark")
    for name, colour in re.findall(r"--([\w-]+): (#[0-9a-f]{6});", by_phone):
        assert dark[name] == colour


def test_verdicts_have_the_colours_of_the_annotated_picture():
    def hexed(verdict):
        return "#{:02x}{:02x}{:02x}".format(*annotate.VERDICT_COLOURS[verdict])

    found = colours("light")
    names = {"pass": "pass", "fail": "fail", "cannot_tell": "unsure", None: "seen"}
    assert {v: found[n] for v, n in names.items()} == {v: hexed(v) for v in names}


def test_places_to_press_are_48_px_at_least():
    rule = re.search(r"button, \.button, select, input, summary, textarea \{[^}]*min-height: (\d+)px", CSS)
    assert int(rule[1]) >= 48
    assert all(int(px) >= 48 for px in re.findall(r"min-height: (\d+)px", CSS))
    assert ":hover" not in CSS  # gloves do not hover


def used_texts() -> set[str]:
    found = set()
    for text in SOURCES.values():
        found |= {f"{a}.{b}" for a, b in re.findall(r"\b(?:t|words)\.(\w+)\.(\w+)", text)}
        for section, keys in (("shoot", r"\bsay\.(several_\w+)"), ("camera", r"\bsay\.(\w+)")):
            name = {"shoot": "bench.js", "camera": "camera.js"}[section]
            if text is SOURCES[name]:
                found |= {f"{section}.{key}" for key in re.findall(keys, text)}
    return found


def by_name() -> set[str]:
    """Texts that are taken by a name which is only known when the page is made."""
    words = texts()
    decisions = {f"keep.{d}" for d in ("accept", "rework", "scrap", "concession")}
    verdicts = {f"verdict.{k}" for k in words["verdict"] if k.startswith("shape_") or k in annotate.VERDICT_COLOURS}
    again = {f"again.{k}" for k in words["again"]}
    kinds = {f"devices.{k}" for k in ("phone", "program", "computer")}
    kinds |= {f"kinds.{k}" for k in get_args(EntryKind)}
    hints = {"shoot.reading_hint_mm", "shoot.reading_hint_in", "verdict.none"}
    return decisions | verdicts | again | kinds | hints | {"inspection.likely", "inspection.possible"}


def test_every_text_that_is_used_is_there_and_none_is_left_over():
    there = {f"{section}.{key}" for section, keys in texts().items() for key in keys}
    used = {u for u in used_texts() if not u.endswith((".replace", ".textContent"))} | by_name()
    assert used - there == set()
    assert there - used == set()


def test_no_words_stand_in_a_template_itself():
    for name, text in SOURCES.items():
        if not name.endswith(".html"):
            continue
        bare = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}|<svg.*?</svg>|<[^>]+>|&nbsp;", " ", text, flags=re.S)
        left = [w for w in re.findall(r"[A-Za-z]{2,}", bare) if w != "UTC"]
        assert left == [], name


class Labels(HTMLParser):
    """Finds fields, pictures and buttons without a name."""

    def __init__(self) -> None:
        super().__init__()
        self.depth = 0
        self.nameless: list[str] = []
        self.ids: list[str] = []
        self.headings: list[int] = []

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        self.ids += [given["id"]] if "id" in given else []
        self.depth += tag == "label"
        field = tag in ("input", "select", "textarea") and given.get("type") != "hidden"
        if field and not self.depth and "aria-label" not in given:
            self.nameless.append(f"{tag} {given}")
        if tag == "img" and "alt" not in given:
            self.nameless.append(f"img {given}")
        if tag == "svg" and "aria-hidden" not in given and "aria-label" not in given:
            self.nameless.append(f"svg {given}")
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))

    def handle_endtag(self, tag):
        self.depth -= tag == "label"


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    with running_bench(tmp_path_factory.mktemp("look")) as bench:
        sender = client(bench)
        sender.post("/jobs", data={"number": "2041", "part": "knob"})
        identity = hand_in(sender, "look-upload-1").json()["id"]
        wait_for(lambda: submissions.submission(bench.folder, identity).state == "done")
        paths = ["/", "/choose", "/jobs", "/jobs/2041", "/devices", "/camera", f"/inspections/{identity}", "/nothing"]
        yield {p: sender.get(p, headers={"accept-encoding": "identity"}).text for p in paths}


def test_every_field_and_picture_has_a_name(pages):
    for path, text in pages.items():
        found = Labels()
        found.feed(text)
        assert found.nameless == [], path
        assert len(set(found.ids)) == len(found.ids), path
        assert found.headings and found.headings[0] == 1 and found.headings.count(1) == 1, path
        assert 'lang="en"' in text and 'href="#content"' in text and 'id="content"' in text
        assert "user-scalable" not in text and "maximum-scale" not in text  # the page itself may be zoomed, too


def test_the_first_page_is_light(pages):
    files = [f for f in re.findall(r'(?:src|href)="/static/([\w.]+)', pages["/"])]
    weight = len(pages["/"].encode()) + sum(len(rendering.static_file(f)[0]) for f in files)
    assert weight < 100_000
    assert len(gzip.compress(CSS.encode())) < 5_000
