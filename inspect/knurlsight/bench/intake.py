"""A form with photos, from the page or from a program, handed in."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Mapping
from typing import Any, Literal

from photoscale.errors import ScaleWordError
from photoscale.words import DiameterWord, RigWord, each_word, parse_scale
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request

from knurlsight.bench import submissions
from knurlsight.bench.bench import Bench
from knurlsight.bench.devices import Device
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.setups import setup_text_of
from knurlsight.bench.submissions import MOST_PHOTOS, Submission
from knurlsight.errors import UnitError

MOST_TEXT = 500
USUAL_STEP = "45deg"  # so that eight photos go round


@contextlib.asynccontextmanager
async def form_of(request: Request) -> AsyncIterator[FormData]:
    """The form of a request; its files are temporary ones on disk, closed in the end.

    Raises
    ------
    RefusedError
        It is no form, or it broke off.
    """
    try:
        form = await request.form(max_files=MOST_PHOTOS + 1, max_fields=40, max_part_size=200_000)
    except (MultiPartException, HTTPException, UnicodeDecodeError) as e:  # HTTPException: how starlette wraps the first
        raise RefusedError(400, "no-form", "the form cannot be read", "send it as multipart/form-data") from e
    except ClientDisconnect as e:
        raise RefusedError(400, "cut-short", "the upload broke off", "send it again with the same upload id") from e
    try:
        yield form
    finally:
        await form.close()


def text_of(form: Mapping[str, Any], key: str, otherwise: str = "", most: int = MOST_TEXT) -> str:
    """A field as text, of bounded length; a file in its place counts as nothing."""
    value = form.get(key)
    if not isinstance(value, str):
        return otherwise
    if len(value) > most:
        raise RefusedError(422, "too-long", f"{key}: {len(value)} characters; {most} are taken", "say it shorter")
    return value.strip() or otherwise


def photos_of(form: FormData) -> list[UploadFile]:
    """The files of the field `photo`."""
    return [f for f in form.getlist("photo") if isinstance(f, UploadFile) and (f.filename or f.size)]


def scale_word(scale: str, reading: str, units: Literal["mm", "in"]) -> str:
    """The ``--scale`` word of a choice and a caliper reading, whose bare number is in the units that the device shows.

    >>> scale_word("od", "20.03", "mm"), scale_word("auto", "0.7886", "in"), scale_word("auto", "", "mm")
    ('od:20.03 mm', 'od:0.7886 in', '')

    Raises
    ------
    RefusedError
        A reading is wanted and there is none, or it is no diameter.
    ScaleWordError
    """
    if reading:
        return _reading_word(reading, units)
    if scale == "od":
        raise RefusedError(
            422,
            "no-reading",
            "the caliper reading is missing",
            "measure over the crests and type it in, or choose another scale",
        )
    word = "" if scale == "auto" else scale
    for one in each_word(parse_scale(word) if word else None):
        if isinstance(one, RigWord):
            from photoscale.rig import load_rig

            load_rig(one.name)
    return word


def _reading_word(reading: str, units: Literal["mm", "in"]) -> str:
    said = reading[3:].strip() if reading.lower().startswith("od:") else reading
    word = f"od:{said}" if any(c.isalpha() or c in '"\u2033' for c in said) else f"od:{said} {units}"
    try:
        if isinstance(parse_scale(word), DiameterWord):
            return word
    except ScaleWordError:
        pass
    raise RefusedError(
        422, "no-reading", f"the caliper reading {reading!r} is no diameter", "such as 20.03 mm or 0.7886 in"
    )


def hand_in(
    bench: Bench,
    device: Device,
    form: FormData,
    *,
    setup: str,
    scale: str,
    units: Literal["mm", "in"],
) -> tuple[Submission, bool]:
    """Take the photos of a form in; see `submissions.hand_in`.

    With `continues`, the id of an inspection, they show the same part turned further: they are measured together with
    its photos, by its setup and scale.
    """
    turned = text_of(form, "turned")
    photos = [(f.filename or "photo.jpg", f.file) for f in photos_of(form)]
    with contextlib.ExitStack() as opened:
        if photos and (identity := text_of(form, "continues")):
            before = submissions.submission(bench.folder, identity)
            setup, scale = before.asked.setup, before.asked.scale
            turned = turned or before.asked.turned or USUAL_STEP
            folder = submissions.folder_of(bench.folder, before)
            earlier = zip(before.asked.named, before.asked.photos, strict=True)
            photos = [*((name, opened.enter_context((folder / file).open("rb"))) for name, file in earlier), *photos]
        if turned:
            from knurlsight.joining.step_words import (
                turn_step,  # brings the measuring along, which most never need here
            )

            try:
                turn_step(turned, max(2, len(photos)))
            except UnitError as e:
                raise RefusedError(422, "turned", e.message, e.hint or "turned=45deg") from e
        setup_text_of(bench.folder, setup)
        found = submissions.hand_in(
            bench.folder,
            device.id,
            text_of(form, "upload"),
            photos,
            setup=setup,
            scale=scale,
            units=units,
            turned=turned,
        )
    bench.dispatch.wake()
    return found
