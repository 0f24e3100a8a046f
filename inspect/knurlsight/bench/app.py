"""The web application of a bench."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

from starlette.applications import Starlette
from starlette.middleware import Middleware

from knurlsight.bench import api, pages
from knurlsight.bench.bench import Bench
from knurlsight.bench.guard import Guard


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

    app = Starlette(routes=[*pages.ROUTES, *api.ROUTES], middleware=[Middleware(Guard, bench=bench)], lifespan=lifespan)
    app.state.bench = bench
    return app
