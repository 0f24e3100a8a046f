"""The web application of a bench."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from dataclasses import replace

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response

from knurlsight.bench import api, pages
from knurlsight.bench.bench import Bench
from knurlsight.bench.guard import Guard, refused_for
from knurlsight.bench.refused_page import refused_response

ROUTES = [*pages.ROUTES, *api.ROUTES]


def bench_app(bench: Bench) -> Starlette:
    """The application: its routes behind the guard; the workers run as long as it does."""

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        bench.dispatch.start()
        try:
            yield
        finally:
            bench.dispatch.stop()
            bench.records.close()

    app = Starlette(
        routes=ROUTES,
        middleware=[Middleware(Guard, bench=bench)],
        exception_handlers={HTTPException: _refused},
        lifespan=lifespan,
    )
    app.state.bench = bench
    return app


def _refused(request: Request, e: Exception) -> Response:
    """What the router itself refuses (no such page, no such method), in the shape of all refusals."""
    refused = refused_for(e)
    if refused.status == 404:
        refused = replace(refused, message="there is nothing at this address")
    if refused.status == 405:  # starlette knows the methods of one route only, and a path has one for each
        path = request.scope["path"]
        here = [r for r in ROUTES if r.path_regex.match(path)]
        methods = sorted({m for r in here for m in r.methods or ()})
        refused = replace(refused, headers={"allow": ", ".join(methods)})
    return refused_response(request.scope, refused)
