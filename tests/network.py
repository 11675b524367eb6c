"""The suite talks to this machine alone: any other address is refused before a packet leaves."""

import ipaddress
import sys
from typing import Any


class OutsideNetwork(RuntimeError):  # noqa: N818
    """A test tried to reach another machine."""


def is_loopback(host: Any) -> bool:
    if host in (None, "", b"", "localhost", b"localhost"):
        return True
    text = host.decode() if isinstance(host, bytes) else str(host)
    try:
        return ipaddress.ip_address(text.split("%")[0]).is_loopback
    except ValueError:
        return False


def _guard(event: str, arguments: tuple[Any, ...]) -> None:
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg"):
        address = arguments[1]
        if isinstance(address, tuple) and not is_loopback(address[0]):
            raise OutsideNetwork(f"A test tried to reach {address[0]}; tests talk to this machine alone.")
    elif event in ("socket.getaddrinfo", "socket.gethostbyname") and not is_loopback(arguments[0]):
        raise OutsideNetwork(f"A test tried to look up {arguments[0]}; tests talk to this machine alone.")


def block_outside_network() -> None:
    """Python's own audit hook sees every socket of this process, whatever library opened it. It stays for good."""
    sys.addaudithook(_guard)
