"""A camera that streams, on loopback: MJPEG in the parts of a multipart answer, or H.264 in a transport stream."""

import contextlib
import ssl
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import av
import numpy as np
import simplejpeg

SHADES = 100
WIDTH, HEIGHT = 320, 240


@dataclass
class Streamer:
    """What the server sends; picture n is of the shade 20 + 2 n, counted around, and was seen at `seen[n]`."""

    url: str = ""
    h264: bool = False
    every_s: float = 0.03
    delay_s: float = 0.0  # the stream's own lag: how much older its pictures are
    fault: str = "ok"
    ending: bool = False
    seen: list[float] = field(default_factory=list)

    def seen_at(self, shade: float, before_s: float) -> float:
        """When the picture of this shade was seen, the last one before `before_s`."""
        number = round((shade - 20) / 2) % SHADES
        return max(at_s for at_s in self.seen[number::SHADES] if at_s < before_s)

    def pictures(self) -> Iterator[np.ndarray]:
        """Pictures at their pace, until the server ends."""
        while not self.ending and self.fault != "drop":
            if self.fault != "hang":
                self.seen.append(time.monotonic() - self.delay_s)
                yield np.full((HEIGHT, WIDTH, 3), 20 + 2 * ((len(self.seen) - 1) % SHADES), np.uint8)
            time.sleep(self.every_s)

    def dawdle(self) -> None:
        """Be slow with the rest of a picture, as long as that is wanted."""
        while self.fault == "slow" and not self.ending:
            time.sleep(0.02)


class _Server(ThreadingHTTPServer):
    daemon_threads = False
    streamer: Streamer

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that goes away in mid-stream is as it should be."""


class _Handler(BaseHTTPRequestHandler):
    server: _Server

    def do_GET(self) -> None:
        streamer = self.server.streamer
        if streamer.fault == "refuse":
            self.send_error(503)
            return
        self.send_response(200)
        kind = "video/mp2t" if streamer.h264 else "multipart/x-mixed-replace; boundary=part"
        self.send_header("Content-Type", kind)
        self.end_headers()
        if streamer.h264:
            self._transport(streamer)
            return
        for picture in streamer.pictures():
            data = simplejpeg.encode_jpeg(picture, colorspace="RGB")
            match streamer.fault:
                case "cut":
                    data = data[:-2]
                case "garbage":
                    data = b"no picture" * 99
                case "zero":
                    data = b""
            self.wfile.write(b"--part\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n" % len(data))
            self.wfile.write(data[:-2])
            streamer.dawdle()
            self.wfile.write(data[-2:] + b"\r\n")

    def _transport(self, streamer: Streamer) -> None:
        with av.open(self.wfile, "w", format="mpegts", options={"flush_packets": "1"}) as container:
            rate = Fraction(round(1 / streamer.every_s))
            video = container.add_stream("libx264", rate=rate, options={"preset": "ultrafast", "tune": "zerolatency"})
            video.width, video.height, video.pix_fmt, video.gop_size = WIDTH, HEIGHT, "yuv420p", 12
            for picture in streamer.pictures():
                for packet in video.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                    container.mux(packet)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
        """Say nothing."""


@contextlib.contextmanager
def streaming(certificate: Path | None = None, port: int = 0, **how: object) -> Iterator[Streamer]:
    """A streamer on loopback, with https where a file with key and certificate is given."""
    with _Server(("127.0.0.1", port), _Handler) as server:
        server.streamer = Streamer(**how)
        scheme = "http"
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate)
            server.socket = context.wrap_socket(server.socket, server_side=True)
            scheme = "https"
        server.streamer.url = f"{scheme}://localhost:{server.server_address[1]}/live"
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield server.streamer
        finally:
            server.streamer.ending = True
            server.shutdown()
            thread.join()
