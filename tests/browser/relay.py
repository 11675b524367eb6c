"""A cable between a browser and the server that a test can pull out: bytes go through, or nothing does."""

import contextlib
import socket
import threading


class Relay:
    def __init__(self, host: str, port: int) -> None:
        self.target = (host, port)
        self.is_cut = False
        self.is_silent = False  # both ends stay connected, and nothing arrives any more: half open
        self.answers_lost = 0  # so many requests still reach the server, but their answers do not come back
        self._open: set[socket.socket] = set()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._serve, daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://localhost:{self.port}"

    def cut(self) -> None:
        self.is_cut = True
        for one in list(self._open):
            self._shut(one)

    def mend(self) -> None:
        self.is_cut = False

    def close(self) -> None:
        self.cut()
        self._listener.close()

    def _serve(self) -> None:
        while True:
            try:
                client, _address = self._listener.accept()
            except OSError:
                return
            if self.is_cut:
                self._shut(client)
                continue
            try:
                server = socket.create_connection(self.target)
            except OSError:  # nobody listens there now
                self._shut(client)
                continue
            self._open |= {client, server}
            threading.Thread(target=self._pump, args=(client, server, False), daemon=True).start()
            threading.Thread(target=self._pump, args=(server, client, True), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket, is_answer: bool) -> None:
        try:
            while data := source.recv(65_536):
                if self.is_silent:
                    continue
                if is_answer and self.answers_lost > 0:
                    self.answers_lost -= 1
                    break
                sink.sendall(data)
        except OSError:
            return  # the cable was pulled out
        finally:
            self._shut(source)
            self._shut(sink)

    def _shut(self, one: socket.socket) -> None:
        self._open.discard(one)
        with contextlib.suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
        one.close()
