"""Where the bench is reached: the socket, the names by which this computer is known, the link to show."""

from __future__ import annotations

import contextlib
import ipaddress
import socket
from dataclasses import dataclass

from knurlsight.bench.refusals import BenchError

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True)
class Address:
    """How the bench is reached.

    Attributes
    ----------
    port : int
    lan : bool
        Open to the local network.
    https : bool
    hosts : tuple of str
        Names that a request may call this computer by, without port; the first is shown.
    """

    port: int
    lan: bool
    https: bool
    hosts: tuple[str, ...]

    @property
    def scheme(self) -> str:
        """http or https."""
        return "https" if self.https else "http"

    @property
    def url(self) -> str:
        """What a browser opens."""
        return f"{self.scheme}://{self.hosts[0]}:{self.port}/"


def address(port: int, *, lan: bool, https: bool) -> Address:
    """The address of a bench on this computer."""
    return Address(port, lan, https, (*lan_names(), *LOOPBACK_NAMES) if lan else LOOPBACK_NAMES)


def lan_names() -> tuple[str, ...]:
    """Addresses and names of this computer in the local network, the likeliest first."""
    found: list[str] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, contextlib.suppress(OSError):
        # the address of the outgoing interface; UDP connects without sending anything (192.0.2.0/24: RFC 5737)
        probe.connect(("192.0.2.1", 9))
        found.append(probe.getsockname()[0])
    name = socket.gethostname().lower()
    with contextlib.suppress(OSError):
        found += [str(info[4][0]) for info in socket.getaddrinfo(name, None, socket.AF_INET)]
    usable = [a for a in dict.fromkeys(found) if not ipaddress.ip_address(a).is_loopback]
    named = [name, f"{name}.local"] if name and "." not in name else [name] if name else []
    return tuple(dict.fromkeys([*usable, *named]))


def listening(where: Address) -> socket.socket:
    """A socket bound to the address.

    Raises
    ------
    BenchError
        The port is taken or not allowed.
    """
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind(("0.0.0.0" if where.lan else "127.0.0.1", where.port))
    except OSError as e:
        bound.close()
        raise BenchError(
            f"port {where.port} cannot be used ({e.strerror or e}); is another bench running?",
            hint=f"--port {where.port + 1 if where.port < 65535 else 8765}",
        ) from e
    return bound


def host_name(header: str) -> str:
    """The host of a Host header, without its port, in small letters.

    >>> host_name("Bench.local:8765"), host_name("[::1]:8765")
    ('bench.local', '[::1]')
    """
    text = header.strip().lower()
    if text.startswith("["):
        return text.partition("]")[0] + "]"
    return text.partition(":")[0]
