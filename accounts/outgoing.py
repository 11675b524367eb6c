"""Calls to addresses that people typed in: a push service's, a text message gateway's. Never into our own network.

https alone; every address that the name resolves to must be global; the connection goes to the very address that was
checked (a name may answer differently the next moment); no redirects; one deadline for everything; a short answer.
"""

import http.client
import ipaddress
import socket
import ssl
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

SECONDS = 5.0
MOST_BYTES = 64 * 1024
HTTPS_PORT = 443

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


class Forbidden(ValueError):  # noqa: N818 - what is wrong with the address, for a person
    """This address is never called. The text says why."""


class Unreached(OSError):  # noqa: N818
    """Nothing was taken: no connection, or it broke before everything was said."""


class Unanswered(OSError):  # noqa: N818
    """Everything was said, and no whole answer came: the other side may have taken it."""


@dataclass(frozen=True)
class Answer:
    status: int
    body: bytes
    retry_after: str = ""

    @property
    def is_good(self) -> bool:
        return 200 <= self.status < 300


def system_lookup(host: str, port: int) -> list[str]:
    """Every address of a name, as this machine's resolver has it."""
    return [str(found[4][0]) for found in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]


def is_outside(address: Address) -> bool:
    """Global, and not a way back in: addresses that carry another one are judged by it too."""
    if isinstance(address, ipaddress.IPv6Address):
        inner = address.ipv4_mapped or address.sixtofour or (address.teredo[1] if address.teredo else None)
        if inner is None and address in _NAT64:
            inner = ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
        if inner is not None:
            return is_outside(inner)
    return address.is_global and not address.is_multicast


_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")


@dataclass(frozen=True)
class Rules:
    """How addresses are looked up and judged. Tests alone bring others."""

    lookup: Callable[[str, int], list[str]] = system_lookup
    is_allowed: Callable[[Address], bool] = is_outside
    context: Callable[[], ssl.SSLContext] = ssl.create_default_context
    seconds: float = SECONDS


RULES = Rules()


@dataclass(frozen=True)
class Target:
    """An address taken apart, and not yet looked up."""

    host: str
    port: int
    path: str


def target_of(url: str) -> Target:
    """Take an address apart; `Forbidden` when its form alone rules it out. Nothing is looked up."""
    if not url.isascii() or any(letter.isspace() or not letter.isprintable() for letter in url):
        raise Forbidden("The address holds spaces or letters that do not belong into one.")
    try:
        parts = urlsplit(url)
        port = parts.port or HTTPS_PORT
    except ValueError:
        raise Forbidden("This is not an address. It looks like https://sms.example.org/send.") from None
    if parts.scheme != "https" or not parts.hostname:
        raise Forbidden("The address must begin with https://.")
    if parts.username is not None or parts.password is not None:
        raise Forbidden("The address must not carry a name or a password.")
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(parts.hostname, port, path)


def checked_addresses(target: Target, *, rules: Rules | None = None, seconds: float = SECONDS) -> list[str]:
    """Look a name up: every address of it must be outside. `Forbidden` otherwise, `Unreached` when there is none."""
    rules = rules or RULES
    found = _looked_up(target, rules, seconds)
    if not found:
        raise Unreached(f"There is no machine by the name {target.host}.")
    for text in found:
        if not rules.is_allowed(ipaddress.ip_address(text.partition("%")[0])):
            raise Forbidden(f"{target.host} leads into a private network; only public addresses are called.")
    return found


def post(url: str, *, body: bytes, headers: Mapping[str, str], rules: Rules | None = None) -> Answer:
    """Post once and return the answer, whatever its status; a redirect is an answer like any other.

    Raises
    ------
    Forbidden
        The address may not be called at all.
    Unreached, Unanswered
        There was no answer; the second where it may have been taken.
    """
    rules = rules or RULES
    ends = time.monotonic() + rules.seconds
    target = target_of(url)
    address = checked_addresses(target, rules=rules, seconds=rules.seconds)[0]
    connection = _Connection(target, address, rules, timeout=max(ends - time.monotonic(), 0.001))
    watchdog = threading.Timer(max(ends - time.monotonic(), 0.001), connection.cut)
    watchdog.daemon = True
    watchdog.start()
    try:
        return _asked(connection, target, body=body, headers=headers)
    finally:
        watchdog.cancel()
        connection.close()


def _asked(connection: "_Connection", target: Target, *, body: bytes, headers: Mapping[str, str]) -> Answer:
    try:
        connection.connect()
        connection.request("POST", target.path, body=body, headers={**headers, "Connection": "close"})
    except (OSError, http.client.HTTPException) as error:
        raise Unreached(f"{target.host} could not be reached: {_words(error, connection)}") from error
    try:
        answer = connection.getresponse()
        content = answer.read(MOST_BYTES)
        if connection.was_cut:  # the library takes headers that break off for their end
            raise TimeoutError
    except (OSError, http.client.HTTPException) as error:
        raise Unanswered(f"{target.host} gave no answer: {_words(error, connection)}") from error
    return Answer(answer.status, content, answer.getheader("Retry-After") or "")


def _words(error: BaseException, connection: "_Connection") -> str:
    if connection.was_cut:
        return "it took longer than a few seconds."
    return f"{type(error).__name__}: {error}"


class _Connection(http.client.HTTPSConnection):
    """To the address that was checked, under the name that was asked for."""

    def __init__(self, target: Target, address: str, rules: Rules, *, timeout: float) -> None:
        super().__init__(target.host, target.port, timeout=timeout, context=rules.context())
        self._address = address
        self._tls = rules.context()
        self.was_cut = False

    def connect(self) -> None:
        raw = socket.create_connection((self._address, self.port), self.timeout)
        self.sock = raw  # so that it can be cut in the middle of the handshake
        self.sock = self._tls.wrap_socket(raw, server_hostname=self.host)

    def cut(self) -> None:
        """The deadline: whatever waits on the socket ends."""
        self.was_cut = True
        sock = self.sock
        if sock is not None:
            try:
                socket.socket.shutdown(sock, socket.SHUT_RDWR)
            except OSError:
                return  # it has ended by itself


def _looked_up(target: Target, rules: Rules, seconds: float) -> list[str]:
    """The system's resolver knows no deadline, so it is asked beside us."""
    answer: list[str] = []
    trouble: list[OSError] = []

    def ask() -> None:
        try:
            answer.extend(rules.lookup(target.host, target.port))
        except (OSError, UnicodeError) as error:
            trouble.append(OSError(str(error)))

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(seconds)
    if thread.is_alive():
        raise Unreached(f"Looking up {target.host} took longer than a few seconds.")
    if trouble:
        raise Unreached(f"There is no machine by the name {target.host}.")
    return answer
