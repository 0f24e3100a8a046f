"""The pages: what a browser asks for, answered as HTML; see `api` for programs."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from knurlsight.bench import choice_pages, device_pages, job_pages, part_pages
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.rendering import static_file


def static(request: Request) -> Response:
    """A file of the package."""
    found = static_file(request.path_params["name"])
    if found is None:
        raise RefusedError(404, "no-file", "there is no such file", "open the bench")
    return Response(found[0], media_type=found[1])


ROUTES = [
    *part_pages.ROUTES,
    *choice_pages.ROUTES,
    *job_pages.ROUTES,
    *device_pages.ROUTES,
    Route("/static/{name}", static),
]
