"""The table for spreadsheets: every figure once, and no cell that acts."""

from __future__ import annotations

import csv
from io import StringIO

import made_records
import pytest
from knurlsight.exchange.figures_csv import COLUMNS, FORMULA_STARTS, figures_csv, harmless

CASES = made_records.verdicts()


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(data.decode(), newline="")))


def test_every_case_has_its_rows_under_all_columns():
    table = rows(figures_csv([made_records.handed_on(v) for v in CASES.values()]))
    assert all(set(row) == set(COLUMNS) and None not in row.values() for row in table)
    assert {row["part verdict"] for row in table} == {"pass", "fail", "cannot_tell", ""}
    assert sum(row["figure"] == "form" for row in table) == 7  # not of the two cases without a setup


def test_a_figure_stands_once_with_its_uncertainty_and_limits():
    table = rows(figures_csv([made_records.handed_on(CASES["pass"])]))
    assert len({row["figure"] for row in table}) == len(table)
    (pitch,) = (row for row in table if row["figure"] == "normal pitch of the right-hand family")
    wanted = {"value": "1.0", "standard uncertainty": "0.003", "unit": "mm", "nominal": "1.0", "lower": "0.96"}
    assert {key: pitch[key] for key in wanted} == wanted
    (strength,) = (row for row in table if row["figure"] == "strength of the left-hand family")
    assert (strength["value"], strength["verdict"]) == ("0.4", "")


@pytest.mark.parametrize("start", FORMULA_STARTS)
def test_no_word_acts_as_a_formula(start):
    evil = f'{start}HYPERLINK("http://localhost/";"x")'
    assert harmless(evil) == "'" + evil
    table = rows(figures_csv([made_records.handed_on(CASES["pass"], job=evil, who=evil, serial=evil)]))
    for row in table:
        assert row["job"] == row["who"] == row["serial"] == "'" + evil


def test_lines_quotes_and_commas_stay_in_their_cell():
    odd = 'a "b", c\nd;e'
    assert rows(figures_csv([made_records.handed_on(CASES["pass"], job=odd)]))[0]["job"] == odd
