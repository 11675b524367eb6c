"""A call that may hang, made beside a loop that must not."""

import threading
from collections.abc import Callable
from typing import Any


class Beside:
    """One of a process: while a call goes on, no second one is begun."""

    def __init__(self, name: str, call: Callable[..., None]) -> None:
        self._name, self._call = name, call
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None

    @property
    def goes_on(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def begin(self, *args: Any) -> bool:
        """Never waits; returns whether a call was begun."""
        with self._lock:
            if self.goes_on:
                return False
            self._thread = threading.Thread(target=self._call, args=args, name=self._name, daemon=True)
            self._thread.start()
        return True

    def wait(self, seconds: float) -> None:
        """For a process that is about to end."""
        if self._thread is not None:
            self._thread.join(seconds)
