"""An open bench: everything that a request needs, in one frozen record."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request

from knurlsight.bench.address import Address
from knurlsight.bench.devices import Device
from knurlsight.bench.dispatch import Dispatch
from knurlsight.bench.keeping import Records
from knurlsight.bench.pairing import PairingDesk
from knurlsight.bench.state import BenchFolder


@dataclass(frozen=True)
class Bench:
    """A bench that is open."""

    folder: BenchFolder
    records: Records
    address: Address
    pairing: PairingDesk
    dispatch: Dispatch


def bench_of(request: Request) -> Bench:
    """The bench that a request came to."""
    found: Bench = request.app.state.bench
    return found


def device_of(request: Request) -> Device:
    """The device that a request came from; the guard has let it in."""
    found: Device = request.state.device
    return found
