"""How a page is answered: rendered, or led on after a form; what blocks goes to a thread."""

from __future__ import annotations

from functools import partial
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from knurlsight.bench.rendering import rendered


def page(request: Request, template: str, status: int = 200, **words: Any) -> HTMLResponse:
    """A page as an answer."""
    return HTMLResponse(rendered(template, request.scope, **words), status)


def see(path: str) -> RedirectResponse:
    """Go on to another page after a form."""
    return RedirectResponse(path, 303)


async def in_thread(work: Any, *inputs: Any, **named: Any) -> Any:
    """Do something that blocks without holding up the other devices."""
    return await run_in_threadpool(partial(work, *inputs, **named))
