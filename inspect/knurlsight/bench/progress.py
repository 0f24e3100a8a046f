"""How far a submission is, as events that the server sends (text/event-stream, HTML standard, server-sent events)."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from typing import Any

from starlette.requests import Request

from knurlsight.bench import submissions
from knurlsight.bench.bench import Bench
from knurlsight.bench.measuring import NoRoom
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.state import free_bytes

LOOK_S = 0.15
BEAT_S = 10.0
LONGEST_S = 900.0
LEAST_BYTES = 1_000_000


def state_of(bench: Bench, identity: str) -> dict[str, Any]:
    """How far it is: its state, how many are before it, what measuring usually takes.

    Raises
    ------
    RefusedError
        There is no such submission.
    """
    this = submissions.submission(bench.folder, identity)
    waiting = this.state == "waiting"
    return {
        "state": this.state,
        # on a full disk not even the trouble can be written down
        "trouble": this.trouble or (NoRoom.trouble if waiting and free_bytes(bench.folder.work) < LEAST_BYTES else ""),
        "ahead": submissions.ahead(bench.folder, this) if waiting else 0,
        "usual_seconds": round(submissions.usual_seconds(bench.folder), 1),
    }


async def events(request: Request, bench: Bench, identity: str) -> AsyncIterator[str]:
    """An event for every change, a comment now and then to keep the line open, and an end when it is done."""
    last: dict[str, Any] = {}
    begun = beat = time.monotonic()
    while time.monotonic() - begun < LONGEST_S and not (bench.dispatch.leaving or await request.is_disconnected()):
        try:
            now = state_of(bench, identity)
        except RefusedError:
            return
        if now != last:
            yield f"data: {json.dumps(now)}\n\n"
            last, beat = now, time.monotonic()
            if now["state"] in ("done", "failed"):
                return
        elif time.monotonic() - beat > BEAT_S:
            yield ": still here\n\n"
            beat = time.monotonic()
        await asyncio.sleep(LOOK_S)


async def until_done(bench: Bench, identity: str, seconds: float) -> None:
    """Wait until a submission is done, or the time is over."""
    ends = time.monotonic() + seconds
    while (
        not bench.dispatch.leaving
        and time.monotonic() < ends
        and state_of(bench, identity)["state"] in ("waiting", "working")
    ):
        await asyncio.sleep(LOOK_S)
