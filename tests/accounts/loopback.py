"""An https server on this machine with a certificate of its own, and rules under which it may be called."""

import datetime as dt
import ipaddress
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from accounts.outgoing import Address, Rules

HOST = "sms.example.org"
LOOPBACK = "127.0.0.1"


@dataclass
class Asked:
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Sink:
    """What was asked of the server, and what it answers: by default 200 and nothing."""

    port: int = 0
    asked: list[Asked] = field(default_factory=list)
    answer: Callable[[BaseHTTPRequestHandler], None] = lambda handler: plain(handler, 200)
    certificate: Path = Path()

    def url(self, path: str = "/send") -> str:
        return f"https://{HOST}:{self.port}{path}"

    def rules(self, *, lookup: Callable[[str, int], list[str]] | None = None, seconds: float = 5.0) -> Rules:
        """This machine counts as outside; names lead to it."""
        return Rules(
            lookup=lookup or (lambda host, port: [LOOPBACK]),
            is_allowed=_is_loopback,
            context=lambda: ssl.create_default_context(cafile=str(self.certificate)),
            seconds=seconds,
        )


def _is_loopback(address: Address) -> bool:
    return address.is_loopback


def plain(handler: BaseHTTPRequestHandler, status: int, body: bytes = b"", **headers: str) -> None:
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name.replace("_", "-"), value)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body)


@contextmanager
def serving(folder: Path, *, name: str = HOST) -> Iterator[Sink]:
    """Serve until the block ends."""
    sink = Sink(certificate=folder / "certificate.pem")

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = int(self.headers.get("Content-Length", 0))
            sink.asked.append(Asked(self.path, dict(self.headers), self.rfile.read(length)))
            sink.answer(self)

        def log_message(self, format: str, *args: object) -> None:
            """Quiet."""

    class Server(ThreadingHTTPServer):
        def handle_error(self, request: object, client_address: object) -> None:
            """Callers that hang up are what is tested."""

    server = Server((LOOPBACK, 0), Handler)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    key = folder / "key.pem"
    _certificate(sink.certificate, key, name)
    context.load_cert_chain(sink.certificate, key)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    sink.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield sink
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def _certificate(path: Path, key_path: Path, name: str) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    today = dt.datetime.now(dt.UTC)
    names = x509.SubjectAlternativeName([x509.DNSName(name), x509.IPAddress(ipaddress.ip_address(LOOPBACK))])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(today - dt.timedelta(days=1))
        .not_valid_after(today + dt.timedelta(days=1))
        .add_extension(names, critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    key_path.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
