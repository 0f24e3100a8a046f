"""The printed report: a page a part, whole in itself, the same bytes for the same records."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace

import made_patterns as made
import made_records
import pytest
from knurlsight.errors import ExchangeError
from knurlsight.exchange.report_html import report_html
from knurlsight.exchange.report_pdf import report_pdf
from knurlsight.exchange.report_words import JobSheet

CASES = made_records.verdicts()
SHEET = JobSheet((("customer", "Invented & <Sons>"), ("revision", "B")), "cd" * 32)


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type /Page\b", pdf))


def text(pdf: bytes, tmp_path) -> str:
    """The words on the pages, as poppler reads them."""
    if shutil.which("pdftotext") is None:
        pytest.skip("the words of the PDF were not read: pdftotext is not installed")
    (tmp_path / "r.pdf").write_bytes(pdf)
    done = subprocess.run(
        ["pdftotext", "-layout", "r.pdf", "-"], cwd=tmp_path, capture_output=True, check=True, timeout=60
    )
    return done.stdout.decode()


def test_one_page_a_part_whatever_the_answer():
    everything = [made_records.handed_on(v) for v in CASES.values()]
    parts = sum(max(1, len(v.parts)) for v in CASES.values())
    assert pages(report_pdf(everything, SHEET)) == parts == 9
    nothing = replace(everything[0], result=everything[0].result.model_copy(update={"parts": (), "verdict": None}))
    assert pages(report_pdf([nothing])) == 1


def test_the_words_that_count_are_on_the_page(tmp_path):
    done = made_records.handed_on(CASES["fail"], who="turner", picture=made_records.png())
    words = text(report_pdf([done], SHEET), tmp_path)
    for wanted in (
        "FAIL",
        "J-17 (invented)",
        "Invented & <Sons>",
        "1.200 ± 0.007 mm",
        "0.96 to 1.04 mm",
        "of the 100° in view",
        "cd" * 32,
        "ab" * 32,
        "inspected by",
        "released by",
        "take it out of gear",
        "safety-critical",
        "limit by default",
    ):
        assert wanted in words, wanted


def test_inches_for_those_who_read_them(tmp_path):
    done = made_records.handed_on(CASES["pass"])
    pdf = report_pdf([done], units="in")
    assert b"/MediaBox [ 0 0 612 792 ]" in pdf
    assert "0.7874 ± 0.0024 in" in text(pdf, tmp_path)  # 20.00 ± 0.06 mm


def test_the_same_records_give_the_same_bytes_and_fonts_are_embedded():
    some = [made_records.handed_on(CASES["fail"], photo=made_records.jpeg(1200, 900), picture=made_records.png())]
    first = report_pdf(some, SHEET)
    report_pdf([made_records.handed_on(v, who="ψ漢") for v in CASES.values()])
    assert report_pdf(some, SHEET) == first
    assert first.count(b"/FontFile2") == 2 and b"DejaVuSans" in first


def test_pages_stay_one_each_however_long_the_words():
    result = made_records.handed_on(CASES["fail"]).result
    part = result.parts[0]
    many = part.model_copy(
        update={"reasons": ("very long words " * 40,) * 30, "causes": part.causes * 9, "checks": part.checks * 4}
    )
    long = result.model_copy(update={"parts": (many, many), "notes": ("a note " * 100,) * 40})
    done = replace(made_records.handed_on(CASES["pass"]), result=long, job="J" * 3000, picture=made_records.png())
    assert pages(report_pdf([done], SHEET)) == 2


def test_pictures_in_the_report_carry_no_place():
    photo = made_records.jpeg(made.WIDTH, made.HEIGHT)
    secret = b"Invented Place 4711"
    marked = photo[:2] + b"\xff\xfe" + (len(secret) + 2).to_bytes(2, "big") + secret + photo[2:]
    assert secret not in report_pdf([made_records.handed_on(CASES["pass"], photo=marked)])


def test_nothing_to_report_is_said():
    with pytest.raises(ExchangeError, match="no inspection to report"):
        report_pdf([])
    with pytest.raises(ExchangeError, match=r"bench\.jpg: the picture cannot be read"):
        report_pdf([made_records.handed_on(CASES["pass"], picture=b"no picture")])


def test_what_was_typed_at_the_bench_and_the_part_that_the_job_names_are_on_the_page():
    typed = {"dial_readings_mm": [0.2, 0.3], "blank_diameter_mm": 19.58, "place": "first-off", "serial": "4"}
    done = made_records.handed_on(CASES["no setup"], bench=typed, when="2026-03-02T09:15:07.123Z")
    page = " ".join(report_html([done], JobSheet((("part", "knob 7"),))).split())
    for wanted in ("Knurl inspection: knob 7", "0.2, 0.3 mm", "19.58 mm", "first-off", "2026-03-02 09:15 UTC"):
        assert wanted in page, wanted


def test_the_page_says_what_the_pdf_says_and_needs_nothing_else():
    done = made_records.handed_on(CASES["fail"], who="<turner>", picture=made_records.png())
    page = report_html([done, made_records.handed_on(CASES["pass"])], SHEET)
    for wanted in (
        "FAIL",
        "PASS",
        "Invented &amp; &lt;Sons&gt;",
        "&lt;turner&gt;",
        "1.200 ± 0.007 mm",
        "0.96 to 1.04 mm",
    ):
        assert wanted in page
    for wanted in ("of the 100° in view", "cd" * 32, "ab" * 32, "inspected by", "released by", "take it out of gear"):
        assert wanted in page
    assert page.count("<section>") == sum(len(CASES[v].parts) for v in ("fail", "pass"))
    assert not re.search(r"<script|<link|https?:|src=\"(?!data:)", page)
    with pytest.raises(ExchangeError, match="no inspection"):
        report_html([])
