"""The pages that let devices in, list them and drop them."""

from __future__ import annotations

import io

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from knurlsight.bench import devices
from knurlsight.bench.bench import Bench, bench_of, device_of
from knurlsight.bench.guard import COOKIE
from knurlsight.bench.intake import form_of, text_of
from knurlsight.bench.page_answers import page, see
from knurlsight.bench.pairing import PairingDesk
from knurlsight.bench.refusals import RefusedError


def pair(request: Request) -> Response:
    """The pairing page; the code may come along from the QR code, but only the tap pairs."""
    if hasattr(request.state, "device"):
        return see("/")
    typed = "".join(c for c in request.query_params.get("code", "")[:20] if c.isascii() and c.isdigit())
    return page(request, "pair.html", typed=typed, https=bench_of(request).address.https)


async def paired(request: Request) -> Response:
    """Let the device in that knows the code."""
    bench = bench_of(request)
    async with form_of(request) as form:
        bench.pairing.use(text_of(form, "code"), request.client.host if request.client is not None else "")
        _, token = devices.add_device(bench.folder, text_of(form, "name"), "phone")
        return with_cookie(see("/"), bench, token)


def with_cookie(response: Response, bench: Bench, token: str) -> Response:
    """The cookie that a paired device is known by."""
    response.set_cookie(
        COOKIE,
        token,
        max_age=int(devices.PHONE_DAYS * devices.DAY_S),
        httponly=True,
        samesite="lax",
        secure=bench.address.https,
    )
    return response


def device_list(request: Request) -> Response:
    """Who is let in; the computer itself may drop devices and make tokens."""
    bench = bench_of(request)
    return _list_page(request, bench, show_code=request.state.computer)


def _list_page(request: Request, bench: Bench, *, show_code: bool, token: str = "") -> Response:
    """The page *Devices*; `token` is one that was just made."""
    code = bench.pairing.code() if show_code and bench.address.lan else None
    return page(
        request,
        "devices.html",
        devices=devices.devices(bench.folder),
        code=code.words if code is not None else "",
        lan=bench.address.lan,
        token=token,
        url=bench.address.url,
    )


def pairing_picture(request: Request) -> Response:
    """The QR code of the pairing address, for the computer's own screen."""
    bench = bench_of(request)
    if not request.state.computer or not bench.address.lan:
        raise RefusedError(404, "no-file", "the code is shown on the bench computer only", "look there")
    return Response(pairing_qr(bench.address.url, bench.pairing), media_type="image/svg+xml")


def pairing_qr(url: str, desk: PairingDesk) -> bytes:
    """The address with the code as a QR code (ISO/IEC 18004), SVG."""

    import segno

    out = io.BytesIO()
    segno.make(f"{url}pair?code={desk.code().digits}", error="m").save(
        out, kind="svg", scale=6, border=4, dark="#000", light="#fff", xmldecl=False
    )
    return out.getvalue()


async def device_dropped(request: Request) -> Response:
    """Drop a device: itself, or any from the computer."""
    bench, device, identity = bench_of(request), device_of(request), request.path_params["id"]
    if not request.state.computer and device.id != identity:
        raise RefusedError(403, "computer-only", "another device is dropped on the bench computer", "or by itself")
    devices.drop(bench.folder, identity)
    response = see("/devices" if request.state.computer else "/pair")
    if device.id == identity:
        response.delete_cookie(COOKIE)
        response.headers["clear-site-data"] = '"cache", "storage"'
    return response


async def token_made(request: Request) -> Response:
    """A token for another program, shown once; on the computer only."""
    bench = bench_of(request)
    if not request.state.computer:
        raise RefusedError(403, "computer-only", "tokens are made on the bench computer", "open Devices there")
    async with form_of(request) as form:
        _, token = devices.add_device(bench.folder, text_of(form, "name"), "program")
        return _list_page(request, bench, show_code=True, token=token)


ROUTES = [
    Route("/pair", pair),
    Route("/pair", paired, methods=["POST"]),
    Route("/devices", device_list),
    Route("/devices/code.svg", pairing_picture),
    Route("/devices/tokens", token_made, methods=["POST"]),
    Route("/devices/{id}/drop", device_dropped, methods=["POST"]),
]
