"""The files of an answer, read for a page or sent as they are."""

from __future__ import annotations

import json
from typing import Any

from starlette.responses import FileResponse, Response

from knurlsight.bench import submissions
from knurlsight.bench.bench import Bench
from knurlsight.bench.measuring import answer_folder
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.submissions import ANSWER, PICTURE, REPORT, SHEET, THUMB, VIEW, Submission

FILES = {
    PICTURE: "image/jpeg",
    THUMB: "image/jpeg",
    REPORT: "text/html; charset=utf-8",
    SHEET: "application/pdf",
    ANSWER: "application/json",
}
#: A report holds pictures and styles inside and must do nothing else, wherever it is opened.
REPORT_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"


def answer_file(bench: Bench, this: Submission, name: str) -> Response:
    """A file of an answer, by its name in `FILES`; nothing else of the folder can be asked for."""
    path = answer_folder(submissions.folder_of(bench.folder, this)) / name
    if name not in FILES or this.state != "done" or not path.is_file():
        raise RefusedError(404, "no-file", "there is no such file", "open the inspection")
    headers = {"content-security-policy": REPORT_POLICY} if name == REPORT else {}
    return FileResponse(path, media_type=FILES[name], headers=headers)


def view_of(bench: Bench, this: Submission) -> dict[str, Any]:
    """What a page shows of an answer."""
    text = (answer_folder(submissions.folder_of(bench.folder, this)) / VIEW).read_text(encoding="utf-8")
    view: dict[str, Any] = json.loads(text)
    return view


def result_of(bench: Bench, this: Submission) -> dict[str, Any]:
    """The result file of an answer."""
    text = (answer_folder(submissions.folder_of(bench.folder, this)) / ANSWER).read_text(encoding="utf-8")
    result: dict[str, Any] = json.loads(text)
    return result
