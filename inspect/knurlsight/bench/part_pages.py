"""The pages of a part: shooting it, its progress, its verdict, keeping it."""

from __future__ import annotations

import secrets

from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from knurlsight.bench import devices, keeping, progress, setups, submissions
from knurlsight.bench.answers import answer_file, result_of, view_of
from knurlsight.bench.bench import bench_of, device_of
from knurlsight.bench.compare import differences
from knurlsight.bench.device_pages import with_cookie
from knurlsight.bench.guard import COOKIE
from knurlsight.bench.intake import form_of, hand_in, scale_word, text_of
from knurlsight.bench.keeping import KeepAsked
from knurlsight.bench.page_answers import in_thread, page, see
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.refused_page import wants_json

DECISIONS = ("accept", "rework", "scrap", "concession")


def shoot(request: Request) -> Response:
    """The first page: the big button, what is chosen, and the last parts."""
    bench, device = bench_of(request), device_of(request)
    response = page(
        request,
        "shoot.html",
        setup_name=setups.name_of(bench.folder, device.choice.setup),
        last=submissions.latest(bench.folder, 8),
        upload=secrets.token_hex(12),
    )
    if device.kind == "phone":  # its time runs from its last use
        with_cookie(response, bench, request.cookies[COOKIE])
    return response


def camera(request: Request) -> Response:
    """The live picture with guidance, for phones and for cameras at the computer."""
    return page(request, "camera.html")


async def handed_in(request: Request) -> Response:
    """Photos of one part: a script gets where to go as JSON, a plain form is led there."""
    bench, device = bench_of(request), device_of(request)
    choice = device.choice
    async with form_of(request) as form:
        word = scale_word(choice.scale, text_of(form, "od"), choice.units)
        this, new = await in_thread(hand_in, bench, device, form, setup=choice.setup, scale=word, units=choice.units)
        path = f"/inspections/{this.id}"
        return (
            JSONResponse({"id": this.id, "path": path}, 202 if new else 200) if wants_json(request.scope) else see(path)
        )


def inspection(request: Request) -> Response:
    """The verdict first; while it is measured, how far it is."""
    bench, device = bench_of(request), device_of(request)
    this = submissions.submission(bench.folder, request.path_params["id"])
    if this.state in ("waiting", "working"):
        return page(request, "waiting.html", this=this, progress=progress.state_of(bench, this.id))
    if this.state == "failed":
        return page(request, "failed.html", this=this)
    view = view_of(bench, this)
    before = submissions.one_before(bench.folder, this)
    return page(
        request,
        "inspection.html",
        this=this,
        view=view,
        words=view[device.choice.units],
        kept=keeping.kept(bench.folder, this.id),
        before=before,
        setup_name=setups.name_of(bench.folder, this.asked.setup),
        decisions=DECISIONS,
        upload=secrets.token_hex(12),
        most_photos=submissions.MOST_PHOTOS,
    )


def inspection_events(request: Request) -> Response:
    """How far it is, pushed."""
    bench, identity = bench_of(request), request.path_params["id"]
    submissions.submission(bench.folder, identity)
    return StreamingResponse(progress.events(request, bench, identity), media_type="text/event-stream")


def inspection_file(request: Request) -> Response:
    """A file of the answer."""
    bench, name = bench_of(request), request.path_params["name"]
    this = submissions.submission(bench.folder, request.path_params["id"])
    return answer_file(bench, this, name)


def compared(request: Request) -> Response:
    """This part beside the last one."""
    bench, device = bench_of(request), device_of(request)
    this = submissions.submission(bench.folder, request.path_params["id"])
    before = submissions.one_before(bench.folder, this) if this.state == "done" else None
    if before is None:
        raise RefusedError(404, "no-last", "there is no part before this one", "shoot another of the same setup")
    rows = differences(result_of(bench, before), result_of(bench, this), device.choice.units)
    return page(request, "compare.html", this=this, before=before, rows=rows)


async def keep(request: Request) -> Response:
    """Keep the part in its job: written after ten seconds, unless taken back."""
    bench, device = bench_of(request), device_of(request)
    async with form_of(request) as form:
        this = submissions.submission(bench.folder, request.path_params["id"])
        asked = KeepAsked(
            text_of(form, "job"),
            text_of(form, "operation"),
            text_of(form, "note", most=20_000),
            text_of(form, "decision"),
            text_of(form, "why", most=20_000),
            device.name,
        )
        found = await in_thread(keeping.keep, bench.folder, bench.records, this, asked)
        if found.asked.job != device.choice.job or found.asked.operation != device.choice.operation:
            devices.choose(bench.folder, device, job=found.asked.job, operation=found.asked.operation)
        return see(f"/inspections/{this.id}")


def undo(request: Request) -> Response:
    """Take the keeping back."""
    keeping.take_back(bench_of(request).folder, request.path_params["id"])
    return see(f"/inspections/{request.path_params['id']}")


ROUTES = [
    Route("/", shoot),
    Route("/camera", camera),
    Route("/inspections", handed_in, methods=["POST"]),
    Route("/inspections/{id}", inspection),
    Route("/inspections/{id}/events", inspection_events),
    Route("/inspections/{id}/keep", keep, methods=["POST"]),
    Route("/inspections/{id}/undo", undo, methods=["POST"]),
    Route("/inspections/{id}/compare", compared),
    Route("/inspections/{id}/{name}", inspection_file),
]
