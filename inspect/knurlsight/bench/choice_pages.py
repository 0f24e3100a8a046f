"""The page where a device chooses once: setup, scale, job, units, light."""

from __future__ import annotations

from typing import Any

from photoscale.rig import list_rigs
from photoscale.words import DiameterWord, each_word, parse_scale
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from knurlsight.bench import devices, keeping, setups, submissions
from knurlsight.bench.bench import bench_of, device_of
from knurlsight.bench.intake import form_of, scale_word, text_of
from knurlsight.bench.page_answers import in_thread, page, see
from knurlsight.bench.refusals import RefusedError
from knurlsight.errors import RecordError
from knurlsight.records.read import jobs
from knurlsight.records.wording import job_number
from knurlsight.setup_math.forms import FORMS

SCALES = ("auto", "od", "card", "rule:1mm", "rule:0.5mm", "rule:1/32in", "rule:1/64in", "other")


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
    """Remember a choice; fields that are not sent stay as they were."""
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
                scale_word(scale, "", "mm")
            words = each_word(parse_scale(scale)) if scale not in ("", "od", "auto") else ()
            if any(isinstance(word, DiameterWord) for word in words):
                # kept for the next part, it would measure that by this one's diameter
                raise RefusedError(
                    422,
                    "one-part",
                    "a caliper reading is that of one part and is not remembered",
                    "choose the caliper reading, and type it beside the button for each part",
                )
            changes["scale"] = scale or "auto"
        if "job" in form:
            job = text_of(form, "job")
            operation = text_of(form, "operation")
            if job:
                known = await in_thread(keeping.operations, bench.records, job)
                job = job_number(job)
                content = known.get(operation)
                another = (job, operation) != (device.choice.job, device.choice.operation)
                picked = changes.get("setup", device.choice.setup) != device.choice.setup
                if content is not None and another and not picked:  # who picks a setup as well wants that one
                    changes["setup"] = setups.from_document(bench.folder, content, f"job {job}").hash
            changes |= {"job": job, "operation": operation if job else ""}
        for key, allowed in (("units", ("mm", "in")), ("theme", ("auto", "light", "dark"))):
            if (value := text_of(form, key)) in allowed:
                changes[key] = value
        devices.choose(bench.folder, device, **changes)
        return see("/")


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


ROUTES = [
    Route("/choose", choose),
    Route("/choose", chosen, methods=["POST"]),
    Route("/setups", drawing, methods=["POST"]),
]
