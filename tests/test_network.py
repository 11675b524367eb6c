"""No test can reach another machine: proven by trying addresses that belong to nobody (RFC 5737, RFC 3849)."""

import http.server
import smtplib
import socket
import threading
import urllib.request

import pytest

from tests.network import OutsideNetwork, is_loopback


def test_another_machine_is_refused_before_anything_is_sent() -> None:
    with socket.socket() as sock, pytest.raises(OutsideNetwork, match=r"192\.0\.2\.1"):
        sock.connect(("192.0.2.1", 80))
    with socket.socket() as sock, pytest.raises(OutsideNetwork):
        sock.connect_ex(("192.0.2.1", 80))
    with socket.socket(socket.AF_INET6) as sock, pytest.raises(OutsideNetwork):
        sock.connect(("2001:db8::1", 80))


def test_datagrams_are_refused_too() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock, pytest.raises(OutsideNetwork):
        sock.sendto(b"x", ("192.0.2.1", 53))


def test_names_are_not_looked_up() -> None:
    with pytest.raises(OutsideNetwork, match=r"mail\.example\.org"):
        socket.getaddrinfo("mail.example.org", 25)


def test_libraries_are_held_by_it_as_well() -> None:
    with pytest.raises(OutsideNetwork):
        smtplib.SMTP("192.0.2.1", 25, timeout=1)
    with pytest.raises(OutsideNetwork):
        urllib.request.urlopen("http://192.0.2.1/", timeout=1)


def test_this_machine_answers() -> None:
    with http.server.HTTPServer(("127.0.0.1", 0), http.server.SimpleHTTPRequestHandler) as server:
        thread = threading.Thread(target=server.handle_request)
        thread.start()
        with socket.create_connection(("localhost", server.server_port), timeout=5) as sock:
            sock.sendall(b"OPTIONS / HTTP/1.0\r\n\r\n")
            assert sock.recv(12).startswith(b"HTTP/1.0 501")
        thread.join(5)


@pytest.mark.parametrize(
    ("host", "here"),
    [
        ("127.0.0.1", True),
        ("127.8.9.1", True),
        ("::1", True),
        ("localhost", True),
        ("10.0.0.1", False),
        ("192.168.1.1", False),
        ("0.0.0.0", False),
        ("localhost.example.org", False),
    ],
)
def test_what_counts_as_this_machine(host: str, here: bool) -> None:
    assert is_loopback(host) is here
