"""The pages: what a browser asks for, answered as HTML; see `api` for programs."""

from __future__ import annotations

import json
import secrets
from pathlib import Path
from typing import Any
from urllib.parse import quote

from photoscale.rig import list_rigs
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from knurlsight.bench import devices, keeping, progress, setups, submissions
from knurlsight.bench.bench import Bench, bench_of, device_of
from knurlsight.bench.compare import differences
from knurlsight.bench.guard import COOKIE
from knurlsight.bench.intake import form_of, hand_in, scale_word, text_of
from knurlsight.bench.keeping import KeepAsked
from knurlsight.bench.measuring import answer_folder
from knurlsight.bench.pairing import PairingDesk
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.refused_page import wants_json
from knurlsight.bench.rendering import rendered, static_file
from knurlsight.bench.submissions import ANSWER, PICTURE, REPORT, SHEET, THUMB, VIEW, Submission
from knurlsight.errors import RecordError
from knurlsight.forms import FORMS
from knurlsight.records.facts import DispositionFacts, JobFacts, facts_from
from knurlsight.records.read import entries, jobs, photo
from knurlsight.records.search import Wanted, find
from knurlsight.records.signature import sign
from knurlsight.records.wording import job_number
from knurlsight.records.write import add_note, dispose, new_job

SCALES = ("auto", "od", "card", "rule:1mm", "rule:0.5mm", "rule:1/32in", "rule:1/64in", "other")
DECISIONS = ("accept", "rework", "scrap", "concession")
FILES = {
    PICTURE: "image/jpeg",
    THUMB: "image/jpeg",
    REPORT: "text/html; charset=utf-8",
    SHEET: "application/pdf",
    ANSWER: "application/json",
}
#: A report holds pictures and styles inside and must do nothing else, wherever it is opened.
REPORT_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"


def page(request: Request, template: str, status: int = 200, **words: Any) -> HTMLResponse:
    """A page as an answer."""
    return HTMLResponse(rendered(template, request.scope, **words), status)


def see(path: str) -> RedirectResponse:
    """Go on to another page after a form."""
    return RedirectResponse(path, 303)


# --- pairing ---------------------------------------------------------------------------------------------------------


def pair(request: Request) -> Response:
    """The pairing page; the code may come along from the QR code, but only the tap pairs."""
    if hasattr(request.state, "device"):
        return see("/")
    typed = "".join(c for c in request.query_params.get("code", "")[:20] if c.isascii() and c.isdigit())
    return page(request, "pair.html", typed=typed, https=bench_of(request).address.https)


async def paired(request: Request) -> Response:
    """Let the device in that knows the code."""
    bench = bench_of(request)
    async with form_of(request) as form:
        bench.pairing.use(text_of(form, "code"), request.client.host if request.client is not None else "")
        _, token = devices.add_device(bench.folder, text_of(form, "name"), "phone")
        return with_cookie(see("/"), bench, token)


def with_cookie(response: Response, bench: Bench, token: str) -> Response:
    """The cookie that a paired device is known by."""
    response.set_cookie(
        COOKIE,
        token,
        max_age=int(devices.PHONE_DAYS * devices.DAY_S),
        httponly=True,
        samesite="lax",
        secure=bench.address.https,
    )
    return response


# --- shooting --------------------------------------------------------------------------------------------------------


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
        word = scale_word(choice.scale, text_of(form, "od"))
        this, new = await in_thread(hand_in, bench, device, form, setup=choice.setup, scale=word, units=choice.units)
        path = f"/inspections/{this.id}"
        return (
            JSONResponse({"id": this.id, "path": path}, 202 if new else 200) if wants_json(request.scope) else see(path)
        )


async def in_thread(work: Any, *inputs: Any, **named: Any) -> Any:
    """Do something that blocks without holding up the other devices."""
    from functools import partial

    from starlette.concurrency import run_in_threadpool

    return await run_in_threadpool(partial(work, *inputs, **named))


# --- one part --------------------------------------------------------------------------------------------------------


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
    )


def view_of(bench: Bench, this: Submission) -> dict[str, Any]:
    """What a page shows of an answer."""
    text = (answer_folder(submissions.folder_of(bench.folder, this)) / VIEW).read_text(encoding="utf-8")
    view: dict[str, Any] = json.loads(text)
    return view


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


def answer_file(bench: Bench, this: Submission, name: str) -> Response:
    """A file of an answer, by its name in `FILES`; nothing else of the folder can be asked for."""
    path = answer_folder(submissions.folder_of(bench.folder, this)) / name
    if name not in FILES or this.state != "done" or not path.is_file():
        raise RefusedError(404, "no-file", "there is no such file", "open the inspection")
    headers = {"content-security-policy": REPORT_POLICY} if name == REPORT else {}
    return FileResponse(path, media_type=FILES[name], headers=headers)


def compared(request: Request) -> Response:
    """This part beside the last one."""
    bench, device = bench_of(request), device_of(request)
    this = submissions.submission(bench.folder, request.path_params["id"])
    before = submissions.one_before(bench.folder, this) if this.state == "done" else None
    if before is None:
        raise RefusedError(404, "no-last", "there is no part before this one", "shoot another of the same setup")
    rows = differences(result_of(bench, before), result_of(bench, this), device.choice.units)
    return page(request, "compare.html", this=this, before=before, rows=rows)


def result_of(bench: Bench, this: Submission) -> dict[str, Any]:
    """The result file of an answer."""
    text = (answer_folder(submissions.folder_of(bench.folder, this)) / ANSWER).read_text(encoding="utf-8")
    result: dict[str, Any] = json.loads(text)
    return result


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


# --- choices ---------------------------------------------------------------------------------------------------------


def choose(request: Request) -> Response:
    """What is chosen once: setup, scale, job, units, light."""
    bench, device = bench_of(request), device_of(request)
    known = jobs(bench.records.store(), 50).jobs
    known_operations: dict[str, Any] = {}
    if device.choice.job:
        try:
            known_operations = keeping.operations(bench.records, device.choice.job)
        except RecordError:
            known_operations = {}
    scale = device.choice.scale
    return page(
        request,
        "choose.html",
        setups=setups.known_setups(bench.folder),
        scales=SCALES,
        scale_kind=scale if scale in SCALES else scale if scale.startswith("rig:") else "other",
        scale_other="" if scale in SCALES or scale.startswith("rig:") else scale,
        rigs=[f"rig:{name}" for name in list_rigs()],
        jobs=known,
        operations=known_operations,
        forms=[(code, form.words) for code, form in FORMS.items()],
    )


async def chosen(request: Request) -> Response:
    """Remember a choice; each part of the page sends its own fields."""
    bench, device = bench_of(request), device_of(request)
    async with form_of(request) as form:
        changes: dict[str, str] = {}
        if "setup" in form:
            changes["setup"] = text_of(form, "setup")
            setups.setup_text_of(bench.folder, changes["setup"])
        if "scale" in form:
            scale = text_of(form, "scale")
            scale = text_of(form, "other") if scale == "other" else scale
            if scale not in ("", "od"):
                scale_word(scale, "")
            changes["scale"] = scale or "auto"
        if "job" in form:
            job = text_of(form, "job")
            operation = text_of(form, "operation")
            if job:
                known = await in_thread(keeping.operations, bench.records, job)
                job = job_number(job)
                content = known.get(operation)
                if content is not None:
                    changes["setup"] = setups.from_document(bench.folder, content, f"job {job}").hash
            changes |= {"job": job, "operation": operation if job else ""}
        for key, allowed in (("units", ("mm", "in")), ("theme", ("auto", "light", "dark"))):
            if (value := text_of(form, key)) in allowed:
                changes[key] = value
        devices.choose(bench.folder, device, **changes)
        return see("/choose" if text_of(form, "stay") else "/")


async def drawing(request: Request) -> Response:
    """A setup from the numbers of a drawing, or from a file; it is chosen at once."""
    bench, device = bench_of(request), device_of(request)
    async with form_of(request) as form:
        file = form.get("file")
        if file is not None and not isinstance(file, str) and file.filename:
            if (file.size or 0) > 200_000:
                raise RefusedError(413, "too-large", "a setup is a page of text", "choose the .toml file of the setup")
            try:
                text = (await file.read()).decode("utf-8-sig")
            except UnicodeDecodeError as e:
                raise RefusedError(422, "not-text", "the file is not text", "choose the .toml file of the setup") from e
            known = setups.from_file(bench.folder, text, submissions.clean_name(file.filename))
        else:
            known = setups.from_drawing(bench.folder, {key: text_of(form, key) for key in setups.DRAWING_KEYS})
        devices.choose(bench.folder, device, setup=known.hash)
        return see("/")


# --- jobs ------------------------------------------------------------------------------------------------------------


def job_list(request: Request) -> Response:
    """The jobs, or what is found in them."""
    store = bench_of(request).records.store()
    words = request.query_params.get("q", "").strip()[:200]
    found = find(store, Wanted(words=words)) if words else None
    return page(request, "jobs.html", jobs=jobs(store, 50), found=found, words=words)


async def job_opened(request: Request) -> Response:
    """Open a job, and choose it."""
    bench, device = bench_of(request), device_of(request)
    async with form_of(request) as form:
        facts = facts_from(
            JobFacts, {"part": text_of(form, "part") or None, "customer": text_of(form, "customer") or None}
        )
        made = await in_thread(new_job, bench.records.store(), text_of(form, "number"), facts, sign(device.name))
        operation = text_of(form, "operation")
        if operation:
            await in_thread(keeping.name_operation, bench.records, made.book.name, operation, device.name)
        devices.choose(bench.folder, device, job=made.book.name, operation=operation)
        return see("/")


def job_history(request: Request) -> Response:
    """The history of a job with small pictures, newest first."""
    bench = bench_of(request)
    written = entries(bench.records.store(), request.path_params["number"])
    rows = []
    for entry in reversed(written[-200:]):
        pictures = {p["role"]: p["sha256"] for p in entry.body.get("photos", ())}
        sha256 = pictures.get("annotated") or pictures.get("photo") or ""
        rows.append(
            {
                "entry": entry,
                "picture": sha256,
                "thumb": bool(sha256) and keeping.thumb_path(bench.folder, sha256).is_file(),
                "about": entry.body.get("about"),
                "note": entry.body.get("note") or entry.body.get("text") or "",
            }
        )
    return page(
        request, "job.html", number=written[0].book.name, rows=rows, left_out=len(written) - len(rows),
        decisions=DECISIONS,
    )  # fmt: skip


async def job_noted(request: Request) -> Response:
    """A note or a decision on a job, or on one of its entries."""
    bench, device = bench_of(request), device_of(request)
    async with form_of(request) as form:
        number, store = request.path_params["number"], bench.records.store()
        about = text_of(form, "about")
        entry = int(about) if about.isascii() and about.isdigit() and len(about) < 10 else None
        decision, text = text_of(form, "decision"), text_of(form, "note", most=20_000)
        if decision:
            facts = facts_from(DispositionFacts, {"decision": decision, "why": text or None, "about": entry})
            await in_thread(dispose, store, number, facts, sign(device.name))
        else:
            await in_thread(add_note, store, number, text, entry, sign(device.name))
        return see(f"/jobs/{quote(job_number(number))}")


def job_picture(request: Request) -> Response:
    """A kept picture of a job, large or small: only those that an entry of the job names."""
    bench, sha256 = bench_of(request), request.path_params["sha256"]
    store = bench.records.store()
    named = {p["sha256"] for e in entries(store, request.path_params["number"]) for p in e.body.get("photos", ())}
    if sha256 not in named:
        raise RefusedError(404, "no-file", "there is no such picture in this job", "open the job")
    if request.path_params["size"] == "small":
        path: Path = keeping.thumb_path(bench.folder, sha256)
        if not path.is_file():
            raise RefusedError(404, "no-file", "there is no small copy of it", "open the large one")
    else:
        path = photo(store, sha256)
    with path.open("rb") as file:
        kind = image_kind(file.read(16))
    return FileResponse(path, media_type=kind, headers={"content-disposition": "inline"})


def image_kind(head: bytes) -> str:
    """The type of a picture by its first bytes; what is no known picture is only offered for keeping."""
    known = {b"\xff\xd8": "image/jpeg", b"\x89P": "image/png", b"RI": "image/webp"}
    return known.get(head[:2], "application/octet-stream")


# --- devices ---------------------------------------------------------------------------------------------------------


def device_list(request: Request) -> Response:
    """Who is let in; the computer itself may drop devices and make tokens."""
    bench = bench_of(request)
    computer = request.state.computer
    code = bench.pairing.code() if computer and bench.address.lan else None
    return page(
        request,
        "devices.html",
        devices=devices.devices(bench.folder),
        code=code.words if code is not None else "",
        lan=bench.address.lan,
        token="",
        url=bench.address.url,
    )


def pairing_picture(request: Request) -> Response:
    """The QR code of the pairing address, for the computer's own screen."""
    bench = bench_of(request)
    if not request.state.computer or not bench.address.lan:
        raise RefusedError(404, "no-file", "the code is shown on the bench computer only", "look there")
    return Response(pairing_qr(bench.address.url, bench.pairing), media_type="image/svg+xml")


def pairing_qr(url: str, desk: PairingDesk) -> bytes:
    """The address with the code as a QR code (ISO/IEC 18004), SVG."""
    import io

    import segno

    out = io.BytesIO()
    segno.make(f"{url}pair?code={desk.code().digits}", error="m").save(
        out, kind="svg", scale=6, border=4, dark="#000", light="#fff", xmldecl=False
    )
    return out.getvalue()


async def device_dropped(request: Request) -> Response:
    """Drop a device: itself, or any from the computer."""
    bench, device, identity = bench_of(request), device_of(request), request.path_params["id"]
    if not request.state.computer and device.id != identity:
        raise RefusedError(403, "computer-only", "another device is dropped on the bench computer", "or by itself")
    devices.drop(bench.folder, identity)
    response = see("/devices" if request.state.computer else "/pair")
    if device.id == identity:
        response.delete_cookie(COOKIE)
        response.headers["clear-site-data"] = '"cache", "storage"'
    return response


async def token_made(request: Request) -> Response:
    """A token for another program, shown once; on the computer only."""
    bench = bench_of(request)
    if not request.state.computer:
        raise RefusedError(403, "computer-only", "tokens are made on the bench computer", "open Devices there")
    async with form_of(request) as form:
        _, token = devices.add_device(bench.folder, text_of(form, "name"), "program")
        code = bench.pairing.code() if bench.address.lan else None
        return page(
            request,
            "devices.html",
            devices=devices.devices(bench.folder),
            code=code.words if code is not None else "",
            lan=bench.address.lan,
            token=token,
            url=bench.address.url,
        )


def static(request: Request) -> Response:
    """A file of the package."""
    found = static_file(request.path_params["name"])
    if found is None:
        raise RefusedError(404, "no-file", "there is no such file", "open the bench")
    return Response(found[0], media_type=found[1])


ROUTES = [
    Route("/", shoot),
    Route("/pair", pair),
    Route("/pair", paired, methods=["POST"]),
    Route("/camera", camera),
    Route("/inspections", handed_in, methods=["POST"]),
    Route("/inspections/{id}", inspection),
    Route("/inspections/{id}/events", inspection_events),
    Route("/inspections/{id}/keep", keep, methods=["POST"]),
    Route("/inspections/{id}/undo", undo, methods=["POST"]),
    Route("/inspections/{id}/compare", compared),
    Route("/inspections/{id}/{name}", inspection_file),
    Route("/choose", choose),
    Route("/choose", chosen, methods=["POST"]),
    Route("/setups", drawing, methods=["POST"]),
    Route("/jobs", job_list),
    Route("/jobs", job_opened, methods=["POST"]),
    Route("/jobs/{number}", job_history),
    Route("/jobs/{number}/notes", job_noted, methods=["POST"]),
    Route("/jobs/{number}/pictures/{sha256}/{size}", job_picture),
    Route("/devices", device_list),
    Route("/devices/code.svg", pairing_picture),
    Route("/devices/tokens", token_made, methods=["POST"]),
    Route("/devices/{id}/drop", device_dropped, methods=["POST"]),
    Route("/static/{name}", static),
]
