"""An HTTP server on loopback that runs on a thread of its own until it is ended."""

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Loopback(ThreadingHTTPServer):
    """Serves from when it is made."""

    daemon_threads = True

    def __init__(self, handler: type[BaseHTTPRequestHandler]) -> None:
        super().__init__(("127.0.0.1", 0), handler)
        self._thread = threading.Thread(
            target=self.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"

    def end(self) -> None:
        self.shutdown()
        self._thread.join()
        self.server_close()
