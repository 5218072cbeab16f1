"""Who may come in: pure decisions about one request.

What they stand against: a page of another site that has the browser send requests here (cross-site request forgery), a
name of another site that is made to point here (DNS rebinding), guessing the token, and requests that cost too much.
"""

import base64
import hashlib
import hmac
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from ipaddress import ip_address

COOKIE = "lapsed"
COOKIE_LASTS_S = 30 * 24 * 3600
"""How long a log-in lasts, in seconds."""

SAFE = frozenset({"GET", "HEAD"})
PAGE_FILES = (
    *("/", "/page.css", "/icon.svg"),
    *("/page.js", "/dom.js", "/now.js", "/before.js", "/after.js", "/take.js", "/again.js"),
)
"""The files that the page is made of; they hold nothing of anyone."""

OPEN_PATHS = frozenset({*PAGE_FILES, "/log-in", "/health"})
"""What anyone may fetch: the empty page, which asks for the token, and whether the daemon lives."""

MOST_BODY_BYTES = 65_536
MOST_HEADER_BYTES = 16_384

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "media-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
"""Sent with every answer (W3C, Content Security Policy Level 3; OWASP, HTTP Security Response Headers Cheat Sheet)."""


@dataclass(frozen=True, slots=True)
class Rules:
    """Under which names and with which token one may come in; None asks for none."""

    hosts: frozenset[str]
    token: str | None


@dataclass(frozen=True, slots=True)
class Refused:
    """An HTTP status and a sentence."""

    status: int
    text: str


def hosts(address: str, port: int, names: Iterable[str]) -> frozenset[str]:
    """What a Host header may say, as `name:port` in small letters."""
    known = {*names}
    if is_loopback(address) or is_any(address):
        known |= {"localhost", "127.0.0.1", "[::1]"}
    if not is_any(address):
        known.add(f"[{address}]" if ":" in address else address)
    return frozenset(f"{name.lower()}:{port}" for name in known) | {name.lower() for name in known if port in (80, 443)}


def is_loopback(address: str) -> bool:
    """Whether only this computer reaches the address."""
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return address.lower() == "localhost"


def is_any(address: str) -> bool:
    """Whether the address stands for every network."""
    try:
        return ip_address(address).is_unspecified
    except ValueError:
        return address == ""


def refusal(rules: Rules, method: str, path: str, headers: Mapping[str, str], now_s: float) -> Refused | None:
    """Why the request is turned away, None if it is not; header names in small letters, `now_s` since 1970."""
    host = headers.get("host", "").lower()
    if sum(len(name) + len(value) for name, value in headers.items()) > MOST_HEADER_BYTES:
        return Refused(431, f"the headers of a request may have {MOST_HEADER_BYTES} bytes")
    if host not in rules.hosts and not _numeric(host, rules):
        return Refused(421, f"{host or 'no name'} is not a name of this lapsed; add it to names in [web]")
    if not _from_here(host, method, path, headers):
        return Refused(403, "the request comes from a page of another site")
    if method not in SAFE and not _plain_length(headers):
        return Refused(413, f"a request may have {MOST_BODY_BYTES} bytes")
    # No form of another site can send JSON without the browser asking us first (Fetch, 3.2.2).
    if method == "POST" and headers.get("content-type", "").split(";")[0].strip().lower() != "application/json":
        return Refused(415, "send application/json")
    if rules.token is not None and path not in OPEN_PATHS and not _knows(rules.token, headers, now_s):
        return Refused(401, "log in first: the token is in the token file beside the takes")
    return None


def _numeric(host: str, rules: Rules) -> bool:
    """A bare IP address can't be rebound: no name stands between. Only where every network may come in."""
    name, _, port = host.rpartition(":")
    if not any(known.endswith(f":{port}") for known in rules.hosts) or rules.token is None:
        return False
    try:
        ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _from_here(host: str, method: str, path: str, headers: Mapping[str, str]) -> bool:
    origin = headers.get("origin")
    if origin is not None and origin.lower() not in (f"http://{host}", f"https://{host}"):
        return False
    site = headers.get("sec-fetch-site", "none")
    if site in ("none", "same-origin"):
        return True
    # A link on another page may lead to ours, and to nothing else.
    return method in SAFE and path == "/" and headers.get("sec-fetch-mode") == "navigate"


def _plain_length(headers: Mapping[str, str]) -> bool:
    length = headers.get("content-length", "0")
    return length.isdecimal() and int(length) <= MOST_BODY_BYTES and "transfer-encoding" not in headers


def _knows(token: str, headers: Mapping[str, str], now_s: float) -> bool:
    scheme, _, given = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer" and same(token, given.strip()):
        return True
    if scheme.lower() == "basic" and same(token, _password(given)):
        return True
    return cookie_holds(token, cookie_in(headers.get("cookie", "")), now_s)


def _password(given: str) -> str:
    """The password of basic authentication (RFC 7617, 2), for hosts that know no other; any user name will do."""
    try:
        return base64.b64decode(given.strip(), validate=True).decode().partition(":")[2]
    except ValueError:
        return ""


def same(token: str, given: str) -> bool:
    """Whether `given` is the token, found out in the same time whatever it is."""
    return hmac.compare_digest(given.encode("utf-8", "replace"), token.encode())


def cookie_in(header: str) -> str:
    """Our cookie's value in a Cookie header, empty if it is not there (RFC 6265, 4.2.1)."""
    for pair in header.split(";"):
        name, _, value = pair.strip().partition("=")
        if name == COOKIE:
            return value
    return ""


def cookie_for(token: str, now_s: float) -> str:
    """A cookie that shows that its holder knew the token; it outlives a restart, and ends with the token."""
    until = str(int(now_s) + COOKIE_LASTS_S)
    return f"{until}.{_signed(token, until)}"


def cookie_holds(token: str, cookie: str, now_s: float) -> bool:
    """Whether the cookie was made with this token and has not run out."""
    until, _, signature = cookie.partition(".")
    genuine = hmac.compare_digest(_signed(token, until).encode(), signature.encode())
    return genuine and until.isdecimal() and int(until) > now_s


def _signed(token: str, text: str) -> str:
    return hmac.new(token.encode(), text.encode("utf-8", "replace"), hashlib.sha256).hexdigest()


@dataclass(frozen=True, slots=True)
class Bucket:
    """A token bucket: `size` requests at once, refilled at `per_s` a second."""

    size: float
    per_s: float
    left: float
    at_s: float

    def take(self, now_s: float) -> tuple["Bucket", bool]:
        """The bucket after one request at `now_s` (monotonic), and whether that was still in it."""
        left = min(self.size, self.left + (now_s - self.at_s) * self.per_s)
        return Bucket(self.size, self.per_s, left - 1 if left >= 1 else left, now_s), left >= 1


def full(size: float, per_s: float, now_s: float) -> Bucket:
    """A bucket that nothing was taken from."""
    return Bucket(size, per_s, size, now_s)
