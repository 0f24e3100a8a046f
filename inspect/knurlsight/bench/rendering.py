"""Pages from templates: escaped always, with the words of the language and the choices of the device."""

from __future__ import annotations

import hashlib
import time
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from starlette.types import Scope

from knurlsight.bench.texts import LANGUAGE, texts
from knurlsight.reporting.page_template import templates

if TYPE_CHECKING:
    from jinja2 import Environment

    from knurlsight.bench.devices import Device

STATIC_KINDS = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}


def rendered(template: str, scope: Scope, **words: Any) -> str:
    """A page as text."""
    device: Device | None = scope.get("state", {}).get("device")
    return (
        _environment()
        .get_template(template)
        .render(
            t=texts(),
            language=LANGUAGE,
            device=device,
            theme=device.choice.theme if device is not None else "auto",
            is_computer=bool(scope.get("state", {}).get("computer")),
            **words,
        )
    )


def static_file(name: str) -> tuple[bytes, str] | None:
    """A file of the package and its type; None for one that is not there."""
    return _static().get(name)


def static_link(name: str) -> str:
    """The address of a file of the package; another when its content is another, so that it may be cached for good."""
    data = _static()[name][0]
    return f"/static/{name}?{hashlib.sha256(data).hexdigest()[:10]}"


@cache
def _static() -> dict[str, tuple[bytes, str]]:
    folder = resources.files("knurlsight.bench") / "static"
    found = {}
    for file in folder.iterdir():
        kind = STATIC_KINDS.get("." + file.name.rpartition(".")[2])
        if kind is not None:
            found[file.name] = (file.read_bytes(), kind)
    return found


@cache
def _environment() -> Environment:
    environment = templates("knurlsight.bench")
    environment.globals["static"] = static_link
    environment.filters["clock"] = lambda seconds: time.strftime("%H:%M", time.localtime(seconds))
    environment.filters["day"] = lambda seconds: time.strftime("%Y-%m-%d", time.localtime(seconds))
    return environment
