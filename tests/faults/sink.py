"""A mail server on this machine that keeps its own book of what it took, and can be made to fail.

It stands outside of what is tested: only what it wrote down counts as sent.
"""

import argparse
import asyncio
import json
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from email import message_from_bytes
from email.header import decode_header, make_header
from enum import Enum
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from tests.processes import spare_port


class Answer(Enum):
    """What becomes of one message."""

    TAKE = "take"
    BUSY = "busy"  # 451: come back later
    NO_SUCH_ADDRESS = "no such address"  # 550 at the address
    BROKEN = "broken"  # 554 after the message
    HANG = "hang"  # never an answer, and nothing written down
    TAKE_AND_HANG = "take and hang"  # written down, but the sender never hears of it
    TAKE_AND_CUT = "take and cut"  # written down, then the connection breaks


@dataclass(frozen=True)
class Taken:
    """One message as it came in. `at` : seconds since the epoch."""

    message_id: str
    to: str
    subject: str
    at: float


Judge = Callable[[str, int], Answer]


def take_all(_to: str, _number: int) -> Answer:
    return Answer.TAKE


class Sink:
    """`judge` : gets the address and how often it was asked for before. `pause_seconds` : before each answer."""

    def __init__(self, *, port: int = 0, judge: Judge = take_all, pause_seconds: float = 0.0) -> None:
        self.judge = judge
        self.pause_seconds = pause_seconds
        self.taken: list[Taken] = []
        self.connections = 0
        self.asked: Counter[str] = Counter()
        self._released = threading.Event()
        sink = self

        class Counted(SMTP):
            def connection_made(self, transport: Any) -> None:
                sink.connections += 1
                super().connection_made(transport)

        class Opened(Controller):
            def factory(self) -> SMTP:
                return Counted(self.handler, **self.SMTP_kwargs)

        self._controller = Opened(self, hostname="127.0.0.1", port=port or spare_port())

    def __enter__(self) -> "Sink":
        self._controller.start()
        self.connections = 0  # starting it is a connection too
        return self

    def __exit__(self, *_: object) -> None:
        self._released.set()
        self._controller.stop()

    @property
    def port(self) -> int:
        return int(self._controller.port)

    @property
    def environment(self) -> dict[str, str]:
        """Settings of an installation that sends its mails here."""
        return {"BROODTIDE_SMTP_HOST": "127.0.0.1", "BROODTIDE_SMTP_PORT": str(self.port), "BROODTIDE_SMTP_TLS": "0"}

    def told(self) -> set[tuple[str, str]]:
        """Address and subject of everything taken."""
        return {(one.to, one.subject) for one in self.taken}

    def repeats(self) -> int:
        """Messages taken more than once under the same id: whoever reads them drops these."""
        return len(self.taken) - len({(one.message_id, one.to) for one in self.taken})

    def doubled(self) -> list[tuple[str, str]]:
        """What came under two different ids, so that nobody can tell that it is the same."""
        ids = {(one.to, one.subject, one.message_id) for one in self.taken}
        return sorted(key for key, number in Counter((to, subject) for to, subject, _ in ids).items() if number > 1)

    async def handle_RCPT(
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        self.asked[address] += 1
        if self.judge(address, self.asked[address]) == Answer.NO_SUCH_ADDRESS:
            return "550 5.1.1 no such address"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:
        if self.pause_seconds:
            await asyncio.sleep(self.pause_seconds)
        answers = {to: self.judge(to, self.asked[to]) for to in envelope.rcpt_tos}
        for to, answer in answers.items():
            if answer in {Answer.TAKE, Answer.TAKE_AND_HANG, Answer.TAKE_AND_CUT}:
                self.taken.append(_taken(to, envelope))
        worst = next((answer for answer in answers.values() if answer != Answer.TAKE), Answer.TAKE)
        if worst in {Answer.HANG, Answer.TAKE_AND_HANG}:
            while not self._released.is_set():
                await asyncio.sleep(0.05)
        if worst == Answer.TAKE_AND_CUT:
            assert isinstance(server.transport, asyncio.Transport)
            server.transport.abort()
        return {Answer.BUSY: "451 4.7.1 too many messages, come back later", Answer.BROKEN: "554 5.6.0 no"}.get(
            worst, "250 OK"
        )


def _taken(to: str, envelope: Envelope) -> Taken:
    assert isinstance(envelope.content, bytes)
    head = message_from_bytes(envelope.content.partition(b"\r\n\r\n")[0] + b"\r\n\r\n")
    subject = str(make_header(decode_header(head["Subject"] or "")))
    return Taken(head["Message-ID"] or "", to, subject.replace("\r\n", ""), time.time())


def keep(path: Path, taken: Iterable[Taken]) -> None:
    """Write a book to a file, one line a message."""
    path.write_text("".join(json.dumps(asdict(one)) + "\n" for one in taken), encoding="utf-8")


def read(path: Path) -> list[Taken]:
    return [Taken(**json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]


def main() -> None:
    """Run one until standard input closes, then write its book: for figures, where it must not share a process."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--book", type=Path, required=True)
    chosen = parser.parse_args()
    with Sink(port=chosen.port) as sink:
        print(f"listening on {sink.port}", flush=True)
        for line in sys.stdin:
            if line.strip() == "count":
                print(len(sink.taken), flush=True)
    keep(chosen.book, sink.taken)


if __name__ == "__main__":
    main()
