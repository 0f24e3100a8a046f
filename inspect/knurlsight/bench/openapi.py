"""The OpenAPI 3.1 description of the API, made from the models that the API itself uses."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from knurlsight.bench import api
from knurlsight.bench.submissions import MOST_BYTES, MOST_PHOTOS

_MODELS: tuple[type[BaseModel], ...] = (
    api.TokenSent, api.SetupSent, api.JobSent, api.KeepSent, api.TokenMade, api.SetupKnown, api.SetupsShown,
    api.InspectionShown, api.InspectionsShown, api.JobShown, api.JobsShown, api.HistoryShown, api.ErrorShown,
)  # fmt: skip

_ID = {"name": "id", "in": "path", "required": True, "schema": {"type": "string"}, "description": "of the inspection"}
_FORM = {
    "type": "object",
    "required": ["photo", "upload"],
    "properties": {
        "photo": {
            "type": "array",
            "minItems": 1,
            "maxItems": MOST_PHOTOS,
            "items": {"type": "string", "format": "binary"},
            "description": f"one part; several are repeats; at most {MOST_BYTES // 1_000_000} MB each",
        },
        "upload": {
            "type": "string",
            "pattern": "^[A-Za-z0-9_-]{8,64}$",
            "description": "your own name of this upload; sent twice it is one inspection",
        },
        "setup": {"type": "string", "description": "hash of a setup; empty: measure only"},
        "scale": {"type": "string", "description": "as --scale; auto: whatever card or rule is found"},
        "units": {"type": "string", "enum": ["mm", "in"], "description": "of the report and the picture"},
        "turned": {
            "type": "string",
            "description": "as --turn: by which step the part was turned from one photo to the next; empty: repeats",
        },
        "continues": {
            "type": "string",
            "description": "id of an inspection of the same part, turned since; its photos, setup and scale are used",
        },
    },
}


def document() -> dict[str, Any]:
    """The description, ready for JSON."""
    _, made = models_json_schema([(m, "validation") for m in _MODELS], ref_template="#/components/schemas/{model}")
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "knurlsight bench",
            "version": version("knurlsight"),
            "description": "Inspect knurls from photos. Lengths mm, angles degrees, uncertainties standard (k = 1).",
        },
        "security": [{"token": []}],
        "paths": _paths(),
        "components": {
            "schemas": made["$defs"],
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }


def _paths() -> dict[str, Any]:
    base = api.BASE
    picture = {"image/jpeg": {"schema": {"type": "string", "format": "binary"}}}
    files = {
        "200": {
            "description": "the file",
            "content": {
                **picture,
                "text/html": {"schema": {"type": "string"}},
                "application/pdf": {"schema": {"type": "string", "format": "binary"}},
                "application/json": {"schema": {"type": "object"}},
            },
        }
    }
    name = {
        "name": "name",
        "in": "path",
        "required": True,
        "schema": {"type": "string", "enum": ["picture.jpg", "thumb.jpg", "report.html", "report.pdf", "result.json"]},
    }
    number = {"name": "number", "in": "path", "required": True, "schema": {"type": "string"}}
    return {
        f"{base}/tokens": {
            "post": _does("makeToken", "Make a token (on the bench computer only)", {"201": "TokenMade"},
                          sends="TokenSent", open_to_all=True),
        },
        f"{base}/inspections": {
            "get": _does("listInspections", "The newest inspections", {"200": "InspectionsShown"},
                         [_query("limit", 1, 100), {"name": "before", "in": "query", "schema": {"type": "string"}}]),
            "post": _does("addInspection", "Hand in photos of one part",
                          {"202": "InspectionShown", "200": "InspectionShown"}, form=_FORM),
        },
        f"{base}/inspections/{{id}}": {
            "get": _does("getInspection", "One inspection with its result", {"200": "InspectionShown"},
                         [_ID, _query("wait", 0, int(api.LONGEST_WAIT_S))]),
        },
        f"{base}/inspections/{{id}}/keep": {
            "post": _does("keepInspection", "Keep it in a job", {"201": "InspectionShown"}, [_ID], sends="KeepSent"),
        },
        f"{base}/inspections/{{id}}/{{name}}": {
            "get": {**_does("getFile", "A file of the answer", {}, [_ID, name]), "responses": {**files, **_errors()}},
        },
        f"{base}/setups": {
            "get": _does("listSetups", "The setups known to the bench", {"200": "SetupsShown"}),
            "post": _does("addSetup", "Hand in a setup file", {"201": "SetupKnown"}, sends="SetupSent"),
        },
        f"{base}/jobs": {
            "get": _does("listJobs", "The jobs last worked on", {"200": "JobsShown"}, [_query("limit", 1, 500)]),
            "post": _does("addJob", "Open a job", {"201": "JobShown"}, sends="JobSent"),
        },
        f"{base}/jobs/{{number}}": {
            "get": _does("getJob", "All entries of a job", {"200": "HistoryShown"}, [number]),
        },
    }  # fmt: skip


def _does(
    name: str,
    summary: str,
    answers: dict[str, str],
    parameters: list[dict[str, Any]] | None = None,
    *,
    sends: str = "",
    form: dict[str, Any] | None = None,
    open_to_all: bool = False,
) -> dict[str, Any]:
    made: dict[str, Any] = {"operationId": name, "summary": summary, "parameters": parameters or []}
    if sends:
        made["requestBody"] = {"required": True, "content": {"application/json": {"schema": _model(sends)}}}
    if form is not None:
        made["requestBody"] = {"required": True, "content": {"multipart/form-data": {"schema": form}}}
    made["responses"] = {
        status: {"description": model, "content": {"application/json": {"schema": _model(model)}}}
        for status, model in answers.items()
    } | _errors()
    if open_to_all:
        made["security"] = []
    return made


def _errors() -> dict[str, Any]:
    return {
        "4XX": {"description": "refused", "content": {"application/json": {"schema": _model("ErrorShown")}}},
        "503": {"description": "full, or the store cannot be used",
                "content": {"application/json": {"schema": _model("ErrorShown")}}},
        "507": {"description": "disk full", "content": {"application/json": {"schema": _model("ErrorShown")}}},
    }  # fmt: skip


def _model(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _query(name: str, low: int, high: int) -> dict[str, Any]:
    return {"name": name, "in": "query", "schema": {"type": "integer", "minimum": low, "maximum": high}}
