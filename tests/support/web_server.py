"""A web server on loopback that notes every POST and answers as it is told."""

from __future__ import annotations

import json
import ssl
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class WebServer:
    """Answers `status` (with a redirect target where there is one) and keeps bodies and headers."""

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        self.status = 204
        self.location = ""
        self.mute = threading.Event()
        self.bodies: list[dict[str, Any]] = []
        self.headers: list[dict[str, str]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            timeout = 10

            def do_POST(self) -> None:
                outer._note(self)

            def log_message(self, *said: object) -> None:
                """Stay silent."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        if context is not None:
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)

    def _note(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers["Content-Length"]))
        if self.mute.is_set():
            threading.Event().wait(3)
            return
        self.bodies.append(json.loads(body))
        self.headers.append(dict(request.headers.items()))
        request.send_response(self.status)
        if self.location:
            request.send_header("Location", self.location)
        request.send_header("Content-Length", "0")
        request.end_headers()

    def __enter__(self) -> WebServer:
        self._thread.start()
        return self

    def __exit__(self, *ignored: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)
