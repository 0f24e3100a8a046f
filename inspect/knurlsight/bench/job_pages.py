"""The pages of jobs: the list, the search, the history with small pictures."""

from __future__ import annotations

from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from knurlsight.bench import devices, keeping
from knurlsight.bench.bench import bench_of, device_of
from knurlsight.bench.intake import form_of, text_of
from knurlsight.bench.page_answers import in_thread, page, see
from knurlsight.bench.part_pages import DECISIONS
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.small_copy import make_small_copy
from knurlsight.records.facts import DispositionFacts, JobFacts, facts_from
from knurlsight.records.read import entries, jobs, photo
from knurlsight.records.search import Wanted, find
from knurlsight.records.signature import sign
from knurlsight.records.wording import job_number
from knurlsight.records.write import add_note, dispose, new_job


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
        path = keeping.thumb_path(bench.folder, sha256)
        # what came by the command line has none yet
        if not path.is_file() and not make_small_copy(photo(store, sha256), path):
            raise RefusedError(404, "no-file", "no small copy can be made of it", "open the large one")
    else:
        path = photo(store, sha256)
    with path.open("rb") as file:
        kind = image_kind(file.read(16))
    return FileResponse(path, media_type=kind, headers={"content-disposition": "inline"})


def image_kind(head: bytes) -> str:
    """The type of a picture by its first bytes; what is no known picture is only offered for keeping."""
    known = {b"\xff\xd8": "image/jpeg", b"\x89P": "image/png", b"RI": "image/webp"}
    return known.get(head[:2], "application/octet-stream")


ROUTES = [
    Route("/jobs", job_list),
    Route("/jobs", job_opened, methods=["POST"]),
    Route("/jobs/{number}", job_history),
    Route("/jobs/{number}/notes", job_noted, methods=["POST"]),
    Route("/jobs/{number}/pictures/{sha256}/{size}", job_picture),
]
