"""A link between browser and app that can be cut, as a phone's is behind every hill."""

from __future__ import annotations

import contextlib
import socket
import threading


class WeakLink:
    """Passes what comes to its own port on to another port of this machine, until it is cut."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._up = True
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._door.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def cut(self) -> None:
        """Every connection breaks, and none is taken."""
        self._up = False
        with self._lock:
            for one in self._open:
                with contextlib.suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)
                one.close()
            self._open.clear()

    def mend(self) -> None:
        self._up = True

    def close(self) -> None:
        self.cut()
        self._door.close()

    def _serve(self) -> None:
        while True:
            try:
                near, _ = self._door.accept()
            except OSError:
                return
            if not self._up:
                near.close()
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._to_port))
            except OSError:
                near.close()
                continue
            with self._lock:
                self._open |= {near, far}
            for source, sink in ((near, far), (far, near)):
                threading.Thread(target=self._pass_on, args=(source, sink), daemon=True).start()

    def _pass_on(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                sink.sendall(data)
        for one in (source, sink):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
