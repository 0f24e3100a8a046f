"""A refusal as a page for people, as JSON for programs and scripts."""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import Scope

from knurlsight.bench.refusals import Refused


def refused_response(scope: Scope, refused: Refused) -> Response:
    """What is sent: one shape for every error of the API; unpaired devices are led to the pairing page."""
    headers = dict(refused.headers)
    if refused.retry_after_s is not None:
        headers["retry-after"] = str(refused.retry_after_s)
    if wants_json(scope):
        return JSONResponse(refused.body(), refused.status, headers)
    if refused.code == "not-paired" and scope["method"] in ("GET", "HEAD"):
        return RedirectResponse("/pair", 303, headers)
    from knurlsight.bench.rendering import rendered

    return HTMLResponse(rendered("refused.html", scope, refused=refused), refused.status, headers)


def wants_json(scope: Scope) -> bool:
    """Whether a program asks, or a script of the page."""
    return scope["path"].startswith("/api/") or "application/json" in Headers(scope=scope).get("accept", "")
