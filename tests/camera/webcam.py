"""A camera on the network, on loopback: an HTTP server that answers as it is told."""

import contextlib
import hashlib
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from lapsed.camera import http_auth

WHOLE = b"\xff\xd8\xff\xc0\x00\x0b\x08\x00\x90\x01\x00\x01\x01\x11\x00\xff\xda\x00\x02%s\xff\xd9"
"""The least JPEG of 256x144 (ITU-T T.81, B.2.2), with something in its scan."""


@dataclass
class Webcam:
    """What the server does. `picture` gives the bytes of each answer; faults by the number of the answer, from 0, or
    `fault` for as long as it is set."""

    url: str = ""
    picture: Callable[[int], bytes] = lambda number: WHOLE % str(number).encode()
    answers: int = 0
    tags: bool = False
    faults: dict[int, str] = field(default_factory=dict)
    fault: str | None = None
    password: tuple[str, str] | None = None
    scheme: str = "digest"
    token: str | None = None
    asked: list[dict[str, str]] = field(default_factory=list)

    def passes(self, header: str | None) -> bool:
        if self.token is not None:
            return header == f"Bearer {self.token}"
        if self.password is None:
            return True
        if self.scheme == "basic":
            return header == http_auth.basic(*self.password)
        return header is not None and f'response="{self.response(header)}"' in header

    def response(self, header: str) -> str:
        """As a server reckons it, written out anew (RFC 7616, section 3.4.1)."""
        values = dict(part.strip().split("=", 1) for part in header.removeprefix("Digest ").split(","))
        values = {key: value.strip('"') for key, value in values.items()}

        def hashed(text: str) -> str:
            return hashlib.sha256(text.encode()).hexdigest()

        user, password = self.password or ("", "")
        if values["nonce"] != "fresh" or values["uri"] != "/still.jpg?size=full":
            return "no"
        middle = f"fresh:{values['nc']}:{values['cnonce']}:auth"
        return hashed(f"{hashed(f'{user}:pier:{password}')}:{middle}:{hashed('GET:/still.jpg?size=full')}")


class _Server(ThreadingHTTPServer):
    daemon_threads = False
    webcam: Webcam

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that went away is what some of the tests are about."""


class _Handler(BaseHTTPRequestHandler):
    server: _Server

    def do_GET(self) -> None:
        webcam = self.server.webcam
        webcam.asked.append(dict(self.headers))
        if not webcam.passes(self.headers.get("Authorization")):
            challenge = {"digest": 'Digest realm="pier", nonce="fresh", qop="auth", algorithm=SHA-256'}
            self._reply(401, b"", **{"WWW-Authenticate": challenge.get(webcam.scheme, 'Basic realm="pier"')})
            return
        self._answer(webcam)

    def _answer(self, webcam: Webcam) -> None:  # noqa: PLR0912 - one branch for each fault
        number, webcam.answers = webcam.answers, webcam.answers + 1
        data = webcam.picture(number)
        tag = hashlib.md5(data, usedforsecurity=False).hexdigest()
        headers = {"ETag": f'"{tag}"'} if webcam.tags else {}
        match webcam.fault or webcam.faults.get(number, "ok"):
            case "ok" if webcam.tags and self.headers.get("If-None-Match") == f'"{tag}"':
                self._reply(304, b"")
            case "ok":
                self._reply(200, data, **headers)
            case "hang":
                self.connection.recv(1)  # until the client has gone
            case "drop":
                self.connection.close()
            case "cut":
                self._reply(200, data[:-4], length=len(data))
            case "page":
                self._reply(200, b"<html>log in, please</html>", kind="text/html")
            case "zero":
                self._reply(200, b"")
            case "moved":
                self._reply(302, b"", Location="http://elsewhere.invalid/")
            case "slow":
                self._reply(200, data, pause_s=0.15)
            case "drip":
                self._reply(200, b"", length=len(data))
                while webcam.fault == "drip":
                    self.wfile.write(data[:1])
                    time.sleep(0.05)
            case "endless":
                self._reply(200, data + bytes(300_000))
            case code:
                self._reply(int(code), b"")

    def _reply(
        self,
        status: int,
        data: bytes,
        kind: str = "image/jpeg",
        length: int | None = None,
        pause_s: float = 0,
        **headers: str,
    ) -> None:
        self.send_response(status)
        if status == 200:
            self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data) if length is None else length))
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()
        time.sleep(pause_s)
        self.wfile.write(data)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
        """Say nothing."""


@contextlib.contextmanager
def serving(certificate: Path | None = None, port: int = 0) -> Iterator[Webcam]:
    """A webcam on loopback, with https where a file with key and certificate is given."""
    with _Server(("127.0.0.1", port), _Handler) as server:
        server.webcam = Webcam()
        scheme = "http"
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate)
            server.socket = context.wrap_socket(server.socket, server_side=True)
            scheme = "https"
        server.webcam.url = f"{scheme}://localhost:{server.server_address[1]}/still.jpg?size=full"
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield server.webcam
        finally:
            server.shutdown()
            thread.join()
