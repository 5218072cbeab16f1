"""The kind `url`: a camera on the network that answers a GET of its address with a JPEG.

Only a worker imports this. A camera may answer with a picture that it had ready, taken before the head was out of the
way; so the one that counts must differ from every one before it, by its tag or date where the camera tells them, and
by its bytes in any case.
"""

import hashlib
import http.client
import secrets
import socket
import ssl
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from urllib.parse import urlsplit

from lapsed import __version__
from lapsed.camera import http_auth
from lapsed.camera.landing import Landing
from lapsed.camera.picture import picture_size
from lapsed.clock import monotonic
from lapsed.errors import LapsedError, RetryError, ShotMissedError, UserError
from lapsed.model import Check, Verdict
from lapsed.settings import UrlCamera

GIVE_UP_BEFORE_S = 0.25
"""How long before the worker would be killed a picture that does not come is given up."""

AGAIN_S = 0.1
"""The pause before a camera that had no new picture is asked again."""

REMEMBERED = 100
"""So many pictures are known again: one behind a cache of several machines may answer with any of its last."""

CHUNK = 64 * 1024


@dataclass(frozen=True, slots=True)
class Answer:
    """What the camera sent; `data` is None where it says that it has no newer picture."""

    data: bytes | None
    tag: str | None = None
    date: str | None = None

    @property
    def print(self) -> bytes:
        """What tells the picture from others."""
        return hashlib.sha256(self.data or b"").digest()


def open_camera(options: Mapping[str, object]) -> "StillUrl":
    """The camera that `options`, the part of the configuration, describes; asked first by `ensure_ready`."""
    return StillUrl(UrlCamera.model_validate(options))


class StillUrl:
    """One camera behind an address; see `kind.Kind` for the contracts."""

    def __init__(self, part: UrlCamera) -> None:
        self._part = part
        self._address = urlsplit(part.url)
        self._challenge: http_auth.Digest | str | None = None
        self._count = 0
        self._last = Answer(None)
        self._seen: deque[bytes] = deque(maxlen=REMEMBERED)
        self._picture = b""
        self._first = b""
        self._found = ""

    def ensure_ready(self) -> str:
        """Ask for a picture once: what is wrong with address, password or certificate shows now and not at a cue."""
        if not self._found:
            try:
                answer = self._ask(monotonic() + self._part.ready_within_s - GIVE_UP_BEFORE_S)
            except ShotMissedError as error:
                raise RetryError(str(error)) from error
            self._note(answer)
            self._first = answer.data or b""
            self._found = f"a camera at {self._address.hostname}, whose picture has {len(self._first):,} bytes"
        return self._found

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """Ask until there is a picture that was not there at the order, and as many more as are to be passed over."""
        give_up_s = by_s - GIVE_UP_BEFORE_S
        at_s, skipped = monotonic(), 0
        told = False

        def sent() -> None:
            nonlocal told, at_s
            if not told:
                told, at_s = True, monotonic()
                released(at_s)

        same = False
        while not same or monotonic() + AGAIN_S < give_up_s:
            time.sleep(AGAIN_S if same else 0)
            try:
                answer = self._ask_twice(give_up_s, sent, lambda: told)
            except ShotMissedError:
                if same:
                    break  # cut off as the time was up
                raise
            same = answer.data is None or answer.print in self._seen
            if answer.data is not None and not same:
                self._note(answer)
                if skipped == self._part.skip:
                    self._picture = answer.data
                    return
                skipped += 1
        raise ShotMissedError(f"the camera gave the same picture for {monotonic() - at_s:.1f} s, and no new one")

    def fetch(self, landing: Landing) -> None:
        """Write down what was sent."""
        landing.write("still.jpg", self._picture)

    def clear(self) -> None:
        """The camera keeps nothing that was ours."""
        self._picture = b""

    def idle(self) -> str:
        """See that the camera can be reached; it is not asked for pictures that nobody wants."""
        with self._errors(RetryError), closing(self._connection()) as line:
            line.connect()
        return self._found

    def inspect(self) -> tuple[Check, ...]:
        """What the first answer told of the picture, and how safely it comes."""
        host, part = self._address.hostname, self._part
        named = self._last.tag is not None or self._last.date is not None
        found = [
            Check("still picture", Verdict.PASS, f"{host} answered with a JPEG of {len(self._first):,} bytes"),
            Check(
                "fresh picture",
                Verdict.PASS,
                f"pictures are told apart by their bytes{' and by the tag or date that it gives' if named else ''};"
                f" {part.skip} are passed over after the order",
                ""
                if part.skip
                else "if it renews its picture by its own clock, so that the head is still in it: skip = 2",
            ),
        ]
        if self._address.scheme == "http" and (part.password is not None or part.token is not None):
            found.append(
                Check("password", Verdict.WARN, "it goes over the network unencrypted", "use an https:// address")
            )
        size = picture_size(self._first)
        if size is not None:
            found.insert(
                1, Check("picture size", Verdict.PASS, f"{size[0]}x{size[1]}, {size[0] * size[1] / 1e6:.1f} MP")
            )
        return tuple(found)

    def ensure_stopped(self) -> None:
        """No connection outlives its picture."""

    # ------------------------------------------------------------------------------------------------------- asking

    def _note(self, answer: Answer) -> None:
        self._last = answer
        self._seen.append(answer.print)

    def _ask_twice(self, give_up_s: float, sent: Callable[[], None], released: Callable[[], bool]) -> Answer:
        """As `_ask`, with a second try where the connection was lost: asking again takes nothing away."""
        try:
            return self._ask(give_up_s, sent)
        except RetryError:
            pass
        try:
            return self._ask(give_up_s, sent)
        except RetryError as error:
            if released():
                raise ShotMissedError(str(error)) from error
            raise

    def _ask(self, give_up_s: float, sent: Callable[[], None] = lambda: None) -> Answer:
        """One picture, or the word that there is no new one. Raises ShotMissedError, UserError, RetryError."""
        try:
            return self._once(give_up_s, sent)
        except _ChallengedError:
            pass
        try:
            return self._once(give_up_s, sent)
        except _ChallengedError as error:
            raise UserError(f"{self._address.hostname} refuses the user and password of the camera's part") from error

    def _once(self, give_up_s: float, sent: Callable[[], None]) -> Answer:
        with self._errors(ShotMissedError), closing(self._connection()) as line:
            line.connect()
            sock: socket.socket = line.sock  # the connection lets go of it with the answer's head
            line.request("GET", self._target, headers=self._headers())
            sent()
            _patience(sock, give_up_s)
            with line.getresponse() as reply:
                if reply.status == http.client.UNAUTHORIZED and self._part.user is not None:
                    self._challenge = http_auth.challenged(reply.headers.get_all("WWW-Authenticate", []))
                    self._count = 0
                    raise _ChallengedError
                self._refuse(reply)
                if reply.status == http.client.NOT_MODIFIED:
                    return Answer(None, self._last.tag, self._last.date)
                data = self._body(sock, reply, give_up_s)
                return Answer(data, reply.headers.get("ETag"), reply.headers.get("Last-Modified"))

    def _refuse(self, reply: http.client.HTTPResponse) -> None:
        """Raise for an answer that is neither a picture nor the word that there is no new one."""
        host = self._address.hostname
        if reply.status in (http.client.UNAUTHORIZED, http.client.FORBIDDEN):
            how = "with the token given" if self._part.token else "as it is asked"
            raise UserError(
                f"{host} answered {reply.status} {reply.reason}: {how} it shows no picture; see user, token"
            )
        if reply.status != http.client.NOT_MODIFIED and 300 <= reply.status < 400:  # RFC 9110, section 15.4
            raise UserError(f"{host} says that the picture is at {reply.headers.get('Location')}: give that as url")
        if reply.status not in (http.client.OK, http.client.NOT_MODIFIED):
            raise ShotMissedError(f"{host} answered {reply.status} {reply.reason} in place of a picture")

    def _body(self, sock: socket.socket, reply: http.client.HTTPResponse, give_up_s: float) -> bytes:
        host, most = self._address.hostname, int(self._part.most_mb * 1e6)
        chunks, size = [], 0
        while True:
            _patience(sock, give_up_s)
            chunk = reply.read1(CHUNK)
            if not chunk:
                break
            chunks.append(chunk)
            size += len(chunk)
            if size > most:
                raise ShotMissedError(f"{host} sent more than most_mb = {self._part.most_mb:g} allows")
        promised = reply.headers.get("Content-Length")
        if promised is not None and promised.isdecimal() and int(promised) != size:
            raise ShotMissedError(f"{size:,} of {int(promised):,} bytes of the picture came over")
        data = b"".join(chunks)
        if data[:2] != b"\xff\xd8":  # SOI, ITU-T T.81, table B.1
            kind = reply.headers.get_content_type() if "Content-Type" in reply.headers else "something"
            raise ShotMissedError(f"{host} answered with {kind} of {size:,} bytes that is no JPEG; look at its url")
        return data

    def _connection(self) -> http.client.HTTPConnection:
        host, port, within_s = self._address.hostname or "", self._address.port, self._part.connect_within_s
        if self._address.scheme == "http":
            return http.client.HTTPConnection(host, port, timeout=within_s)
        try:
            context = ssl.create_default_context(cafile=self._part.ca_file)
        except OSError as error:
            raise UserError(f"ca_file {self._part.ca_file} can't be read as certificates: {error}") from error
        return http.client.HTTPSConnection(host, port, timeout=within_s, context=context)

    @property
    def _target(self) -> str:
        path = self._address.path or "/"
        return f"{path}?{self._address.query}" if self._address.query else path

    def _headers(self) -> dict[str, str]:
        part, last = self._part, self._last
        headers = {
            "Accept": "image/jpeg",
            "Cache-Control": "no-cache",
            "Connection": "close",
            "User-Agent": f"lapsed/{__version__}",
        }
        if last.tag is not None:
            headers["If-None-Match"] = last.tag
        elif last.date is not None:
            headers["If-Modified-Since"] = last.date
        if part.token is not None:
            headers["Authorization"] = http_auth.bearer(part.token)
        if part.user is not None and part.password is not None:
            if self._challenge == "basic":
                headers["Authorization"] = http_auth.basic(part.user, part.password)
            elif isinstance(self._challenge, http_auth.Digest):
                self._count += 1
                headers["Authorization"] = http_auth.digest(
                    self._challenge,
                    part.user,
                    part.password,
                    uri=self._target,
                    nonce=secrets.token_hex(8),
                    count=self._count,
                )
        return headers

    @contextmanager
    def _errors(self, late: type[LapsedError]) -> Iterator[None]:
        host = self._address.hostname
        try:
            yield
        except ssl.SSLCertVerificationError as error:
            raise UserError(
                f"the certificate of {host} can't be trusted ({error.verify_message}): give its own as ca_file, and in"
                " url the name that it is made out to"
            ) from error
        except TimeoutError as error:
            raise late(f"{host} does not answer in time") from error
        except (OSError, http.client.HTTPException) as error:
            raise RetryError(f"{host} can't be reached: {_why(error)}; look at its power, its cable and url") from error


class _ChallengedError(Exception):
    """The camera wants to know who asks."""


def _patience(sock: socket.socket, give_up_s: float) -> None:
    """Bound the next wait for the camera. Raises TimeoutError where the time is over."""
    left_s = give_up_s - monotonic()
    if left_s <= 0:
        raise TimeoutError
    sock.settimeout(left_s)


def _why(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
