"""A camera that streams MJPEG by RTSP (RFC 2326), on loopback: RTP within its own TCP connection (section 10.12)."""

import base64
import contextlib
import itertools
import re
import socket
import socketserver
import ssl
import struct
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import simplejpeg

from tests.camera.streams import HEIGHT, WIDTH, Streamer

JPEG = 26
"""The payload type (RFC 3551, table 5); its clock runs at 90 kHz."""

YUV_420 = 1
"""The type (RFC 2435, section 4.1) of pictures whose colour is halved both ways."""

TABLES_FOLLOW = 255
"""The Q (section 3.1.8) of pictures that bring their own quantisation tables along."""

PART_BYTES = 1400

SDP = """v=0
o=- 1 1 IN IP4 127.0.0.1
s=live
c=IN IP4 0.0.0.0
t=0 0
m=video 0 RTP/AVP 26
a=control:track1
""".replace("\n", "\r\n")


def taken_apart(jpeg: bytes) -> tuple[bytes, bytes]:
    """The quantisation tables of a baseline JPEG, and its scan (ITU-T T.81, annex B)."""
    tables, at = b"", 2
    while True:
        marker, length = struct.unpack_from(">HH", jpeg, at)
        body = jpeg[at + 4 : at + 2 + length]
        at += 2 + length
        if marker == 0xFFDB:
            for start in range(0, len(body), 65):
                assert body[start] >> 4 == 0, "tables of 8 bits"
                tables += body[start + 1 : start + 65]
        if marker == 0xFFDA:
            return tables, jpeg[at:].removesuffix(b"\xff\xd9")


def payloads(jpeg: bytes) -> list[bytes]:
    """A picture of WIDTH x HEIGHT as payloads of RTP (RFC 2435, section 3.1)."""
    tables, scan = taken_apart(jpeg)
    made = []
    for at in range(0, len(scan), PART_BYTES):
        head = struct.pack(">IBBBB", at, YUV_420, TABLES_FOLLOW, WIDTH // 8, HEIGHT // 8)
        if at == 0:
            head += struct.pack(">HH", 0, len(tables)) + tables
        made.append(head + scan[at : at + PART_BYTES])
    return made


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = False

    def __init__(self, streamer: Streamer, login: str | None, port: int) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        self.streamer = streamer
        self.login = login and f"Basic {base64.b64encode(login.encode()).decode()}"
        self.callers: list[socket.socket] = []

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that goes away in mid-stream is as it should be."""


class _Handler(socketserver.StreamRequestHandler):
    server: _Server

    def setup(self) -> None:
        self.server.callers.append(self.request)
        super().setup()
        self.writing = threading.Lock()
        self.sender: threading.Thread | None = None

    def handle(self) -> None:
        while first := self.rfile.read(1):
            if first == b"$":  # a report of the receiver's, RTCP
                _, length = struct.unpack(">BH", self.rfile.read(3))
                self.rfile.read(length)
                continue
            method = (first + self.rfile.readline()).split()[0].decode()
            fields = {}
            while line := self.rfile.readline().strip().decode():
                name, _, value = line.partition(":")
                fields[name.lower()] = value.strip()
            self.rfile.read(int(fields.get("content-length", 0)))
            self.answer(method, fields)
            if method == "TEARDOWN":
                break

    def finish(self) -> None:
        _hang_up(self.request)
        if self.sender is not None:
            self.sender.join()
        with contextlib.suppress(OSError):
            super().finish()

    def answer(self, method: str, fields: dict[str, str]) -> None:
        streamer, login = self.server.streamer, self.server.login
        if streamer.fault == "refuse":
            self.reply(fields, "503 Service Unavailable")
        elif login and fields.get("authorization") != login:
            self.reply(fields, "401 Unauthorized", 'WWW-Authenticate: Basic realm="lens"')
        elif method == "OPTIONS":
            self.reply(fields, "200 OK", "Public: OPTIONS, DESCRIBE, SETUP, PLAY, GET_PARAMETER, TEARDOWN")
        elif method == "DESCRIBE":
            self.reply(fields, "200 OK", "Content-Type: application/sdp", body=SDP)
        elif method == "SETUP" and not re.search("RTP/AVP/TCP.*interleaved=0-1", fields["transport"]):
            self.reply(fields, "461 Unsupported Transport")
        elif method == "SETUP":
            self.reply(fields, "200 OK", "Transport: RTP/AVP/TCP;unicast;interleaved=0-1", "Session: 1729;timeout=60")
        elif method == "PLAY":
            self.reply(fields, "200 OK", "Session: 1729", "Range: npt=0-")
            self.sender = threading.Thread(target=self.play)
            self.sender.start()
        else:
            known = method in ("GET_PARAMETER", "TEARDOWN")
            self.reply(fields, "200 OK" if known else "501 Not Implemented", "Session: 1729")

    def reply(self, fields: dict[str, str], status: str, *lines: str, body: str = "") -> None:
        head = [f"RTSP/1.0 {status}", f"CSeq: {fields['cseq']}", *lines, f"Content-Length: {len(body)}"]
        with self.writing:
            self.wfile.write(("\r\n".join(head) + "\r\n\r\n" + body).encode())

    def play(self) -> None:
        numbers = itertools.count(65_530)  # so that they soon begin again at 0
        with contextlib.suppress(OSError):
            for picture in self.server.streamer.pictures():
                jpeg = simplejpeg.encode_jpeg(picture, colorspace="RGB", colorsubsampling="420")
                made = payloads(jpeg)
                whole = len(made)
                match self.server.streamer.fault:
                    case "cut":
                        made.pop()
                    case "garbage":
                        made = [b"no picture" * 9 for _ in made]
                    case "zero":
                        made = [b"" for _ in made]
                at = round(time.monotonic() * 90_000) & 0xFFFFFFFF
                with self.writing:
                    for number, payload in enumerate(made, 1):
                        last = 0x80 if number == whole else 0
                        if last:
                            self.server.streamer.dawdle()
                        # RFC 3550, section 5.1: version 2, and the marker on the last part of a picture.
                        head = struct.pack(">BBHII", 0x80, last | JPEG, next(numbers) & 0xFFFF, at, 0x0077E2)
                        self.wfile.write(b"$\x00" + struct.pack(">H", len(head + payload)) + head + payload)
        _hang_up(self.request)


def _hang_up(caller: socket.socket) -> None:
    with contextlib.suppress(OSError):
        caller.shutdown(socket.SHUT_RDWR)


@contextlib.contextmanager
def serving(
    certificate: Path | None = None, login: str | None = None, port: int = 0, **how: object
) -> Iterator[Streamer]:
    """A streamer on loopback; with TLS where a file with key and certificate is given, to `user:password` alone."""
    streamer = Streamer(**how)
    with _Server(streamer, login, port) as server:
        scheme = "rtsp"
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate)
            server.socket = context.wrap_socket(server.socket, server_side=True)
            scheme = "rtsps"
        streamer.url = f"{scheme}://localhost:{server.server_address[1]}/live"
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield streamer
        finally:
            streamer.ending = True
            server.shutdown()
            thread.join()
            for caller in server.callers:
                _hang_up(caller)
