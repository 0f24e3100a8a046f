"""The same by HTTP for other programs: JSON in one shape, a token with every request. Described in ``openapi.json``."""

from __future__ import annotations

import json
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from knurlsight.bench import devices, keeping, progress, setups, submissions
from knurlsight.bench.answers import answer_file, result_of
from knurlsight.bench.bench import Bench, bench_of, device_of
from knurlsight.bench.intake import form_of, hand_in, scale_word, text_of
from knurlsight.bench.keeping import KeepAsked
from knurlsight.bench.page_answers import in_thread
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.submissions import Submission
from knurlsight.records.facts import JobFacts, facts_from
from knurlsight.records.read import entries, jobs
from knurlsight.records.signature import sign
from knurlsight.records.write import new_job

BASE = "/api/v1"
LONGEST_WAIT_S = 60.0
Short = Field(default="", max_length=200)
Long = Field(default="", max_length=20_000)


class Sent(BaseModel):
    """Base of what programs send: unknown keys are an error."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)


class TokenSent(Sent):
    """A token is wanted for a program of this name."""

    name: str = Field(min_length=1, max_length=devices.NAME_LENGTH)


class SetupSent(Sent):
    """The text of a setup file (TOML)."""

    text: str = Field(min_length=1, max_length=200_000)


class JobSent(Sent):
    """A job to open."""

    number: str = Field(min_length=1, max_length=40)
    part: str = Short
    customer: str = Short


class KeepSent(Sent):
    """Where an inspection is kept. A decision other than accept needs its reason."""

    job: str = Field(min_length=1, max_length=40)
    operation: str = Short
    note: str = Long
    decision: Literal["", "accept", "rework", "scrap", "concession"] = ""
    why: str = Long


class TokenMade(BaseModel):
    """The token, which is shown this once."""

    id: str
    token: str


class SetupKnown(BaseModel):
    """A setup that the bench knows."""

    hash: str
    name: str


class KeptShown(BaseModel):
    """Where an inspection is kept; `entry` is its number in the job."""

    job: str
    operation: str
    entry: int | None
    trouble: str


class InspectionShown(BaseModel):
    """An inspection and how far it is; `result` is the result file, once it is done and asked for alone."""

    id: str
    state: Literal["waiting", "working", "done", "failed"]
    ahead: int
    verdict: Literal["pass", "fail", "cannot_tell"] | None
    part: str
    why: str
    trouble: str
    photos: list[str]
    setup: str
    scale: str
    made: float
    seconds: float | None
    kept: KeptShown | None
    links: dict[str, str]
    result: dict[str, Any] | None = None


class InspectionsShown(BaseModel):
    """The newest inspections; `before` asks for older ones."""

    inspections: list[InspectionShown]


class SetupsShown(BaseModel):
    """The setups that the bench knows."""

    setups: list[SetupKnown]


class EntryShown(BaseModel):
    """An entry of a job."""

    number: int
    kind: str
    operation: str
    who: str
    at: str
    verdict: str
    words: str
    hash: str


class JobShown(BaseModel):
    """A job in short."""

    number: str
    part: str
    customer: str
    inspections: int


class JobsShown(BaseModel):
    """The jobs last worked on."""

    jobs: list[JobShown]
    total: int


class HistoryShown(BaseModel):
    """All entries of a job, in order."""

    number: str
    entries: list[EntryShown]


class ErrorSaid(BaseModel):
    """What is wrong: a stable code, one sentence, and what to do."""

    code: str
    message: str
    hint: str


class ErrorShown(BaseModel):
    """The one shape of every error."""

    error: ErrorSaid


async def sent(request: Request, kind: type[Sent]) -> Any:
    """The JSON that came along, checked.

    Raises
    ------
    RefusedError
    """
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise RefusedError(415, "no-json", "JSON is wanted", "send content-type: application/json")
    try:
        return kind.model_validate_json(await request.body())
    except ValidationError as e:
        words = "; ".join(f"{'.'.join(map(str, f['loc'])) or 'body'}: {f['msg']}" for f in e.errors()[:5])
        raise RefusedError(422, "cannot-be", words, "see the API description") from e
    except ClientDisconnect as e:
        raise RefusedError(400, "cut-short", "the request broke off", "send it again") from e


def answer(shown: BaseModel, status: int = 200) -> JSONResponse:
    """A model as the answer."""
    return JSONResponse(shown.model_dump(mode="json"), status)


def shown(bench: Bench, this: Submission, result: dict[str, Any] | None = None) -> InspectionShown:
    """An inspection as it is sent."""
    kept = keeping.kept(bench.folder, this.id)
    at = f"{BASE}/inspections/{this.id}"
    names = ("picture.jpg", "report.html", "report.pdf", "result.json") if this.state == "done" else ()
    return InspectionShown(
        id=this.id,
        state=this.state,
        ahead=submissions.ahead(bench.folder, this) if this.state == "waiting" else 0,
        verdict=this.verdict,  # type: ignore[arg-type]
        part=this.part,
        why=this.why,
        trouble=this.trouble,
        photos=list(this.asked.named),
        setup=this.asked.setup,
        scale=this.asked.scale,
        made=this.made,
        seconds=this.seconds,
        kept=KeptShown(
            job=kept.asked.job, operation=kept.asked.operation, entry=kept.entry, trouble=kept.trouble
        ) if kept is not None else None,
        links={name: f"{at}/{name}" for name in names},
        result=result,
    )  # fmt: skip


async def make_token(request: Request) -> Response:
    """A token for a program; asked for on the bench computer itself, without any token."""
    if not request.state.computer:
        raise RefusedError(403, "computer-only", "tokens are made on the bench computer", "ask there")
    wanted = await sent(request, TokenSent)
    device, token = devices.add_device(bench_of(request).folder, wanted.name, "program")
    return answer(TokenMade(id=device.id, token=token), 201)


async def add_inspection(request: Request) -> Response:
    """Photos of one part: 202 when taken in, 200 when this upload was here before."""
    bench, device = bench_of(request), device_of(request)
    async with form_of(request) as form:
        setup = text_of(form, "setup")
        units = text_of(form, "units", "mm")
        if units not in ("mm", "in"):
            raise RefusedError(422, "cannot-be", "units: mm or in", "units=mm")
        word = scale_word(text_of(form, "scale", "auto"), "", "mm")
        this, new = await in_thread(
            hand_in, bench, device, form, setup=setup, scale=word, units="in" if units == "in" else "mm"
        )
        return answer(shown(bench, this), 202 if new else 200)


def list_inspections(request: Request) -> Response:
    """The newest inspections."""
    bench = bench_of(request)
    limit = _number(request, "limit", 20, 1, 100)
    before = request.query_params.get("before")
    number = submissions.submission(bench.folder, before).number if before else None
    found = submissions.latest(bench.folder, limit, before=number)
    return answer(InspectionsShown(inspections=[shown(bench, s) for s in found]))


async def one_inspection(request: Request) -> Response:
    """One inspection, with its result; `wait` holds the answer back until it is done."""
    bench, identity = bench_of(request), request.path_params["id"]
    wait = _number(request, "wait", 0, 0, int(LONGEST_WAIT_S))
    await progress.until_done(bench, identity, wait)
    this = submissions.submission(bench.folder, identity)
    return answer(shown(bench, this, result_of(bench, this) if this.state == "done" else None))


def inspection_file(request: Request) -> Response:
    """A file of an answer."""
    bench = bench_of(request)
    return answer_file(
        bench, submissions.submission(bench.folder, request.path_params["id"]), request.path_params["name"]
    )


async def keep_inspection(request: Request) -> Response:
    """Keep it in a job, at once: a program thinks before it sends."""
    bench, device = bench_of(request), device_of(request)
    wanted = await sent(request, KeepSent)
    this = submissions.submission(bench.folder, request.path_params["id"])
    asked = KeepAsked(wanted.job, wanted.operation, wanted.note, wanted.decision, wanted.why, device.name)

    def at_once() -> None:
        keeping.keep(bench.folder, bench.records, this, asked, undo_s=0)
        keeping.settle(bench.folder, bench.records, this.id)

    await in_thread(at_once)
    kept = keeping.kept(bench.folder, this.id)
    if kept is not None and kept.trouble:
        raise RefusedError(503, "store", kept.trouble, "set the store right, then keep it again")
    return answer(shown(bench, this), 201)


def list_setups(request: Request) -> Response:
    """The setups that the bench knows."""
    known = setups.known_setups(bench_of(request).folder)
    return answer(SetupsShown(setups=[SetupKnown(hash=s.hash, name=s.name) for s in known]))


async def add_setup(request: Request) -> Response:
    """Hand a setup in."""
    wanted = await sent(request, SetupSent)
    known = await in_thread(setups.from_file, bench_of(request).folder, wanted.text, "setup")
    return answer(SetupKnown(hash=known.hash, name=known.name), 201)


def list_jobs(request: Request) -> Response:
    """The jobs last worked on."""
    found = jobs(bench_of(request).records.store(), _number(request, "limit", 50, 1, 500))
    shown_jobs = [
        JobShown(number=j.number, part=j.facts.part or "", customer=j.facts.customer or "", inspections=j.inspections)
        for j in found.jobs
    ]
    return answer(JobsShown(jobs=shown_jobs, total=found.total))


async def add_job(request: Request) -> Response:
    """Open a job."""
    bench, wanted = bench_of(request), await sent(request, JobSent)
    facts = facts_from(JobFacts, {"part": wanted.part or None, "customer": wanted.customer or None})
    made = await in_thread(new_job, bench.records.store(), wanted.number, facts, sign(device_of(request).name))
    return answer(JobShown(number=made.book.name, part=wanted.part, customer=wanted.customer, inspections=0), 201)


def job_history(request: Request) -> Response:
    """All entries of a job."""
    written = entries(bench_of(request).records.store(), request.path_params["number"])
    return answer(
        HistoryShown(
            number=written[0].book.name,
            entries=[
                EntryShown(
                    number=e.number, kind=e.kind, operation=e.op, who=e.who, at=e.at, verdict=e.verdict, words=e.words,
                    hash=e.hash,
                )
                for e in written
            ],
        )
    )  # fmt: skip


def description(request: Request) -> Response:
    """The OpenAPI description."""
    from knurlsight.bench.openapi import document

    return Response(json.dumps(document(), indent=1), media_type="application/json")


def _number(request: Request, key: str, otherwise: int, low: int, high: int) -> int:
    text = request.query_params.get(key)
    if text is None:
        return otherwise
    if not (text.isascii() and text.isdigit() and len(text) < 10 and low <= int(text) <= high):
        raise RefusedError(422, "cannot-be", f"{key}: a whole number from {low} to {high}", f"{key}={otherwise}")
    return int(text)


ROUTES = [
    Route(f"{BASE}/openapi.json", description),
    Route(f"{BASE}/tokens", make_token, methods=["POST"]),
    Route(f"{BASE}/inspections", list_inspections),
    Route(f"{BASE}/inspections", add_inspection, methods=["POST"]),
    Route(f"{BASE}/inspections/{{id}}", one_inspection),
    Route(f"{BASE}/inspections/{{id}}/keep", keep_inspection, methods=["POST"]),
    Route(f"{BASE}/inspections/{{id}}/{{name}}", inspection_file),
    Route(f"{BASE}/setups", list_setups),
    Route(f"{BASE}/setups", add_setup, methods=["POST"]),
    Route(f"{BASE}/jobs", list_jobs),
    Route(f"{BASE}/jobs", add_job, methods=["POST"]),
    Route(f"{BASE}/jobs/{{number}}", job_history),
]
