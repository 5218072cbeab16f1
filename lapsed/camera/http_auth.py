"""How a request proves who asks: basic (RFC 7617), digest (RFC 7616) and bearer (RFC 6750); pure."""

import base64
import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

_HASHES: dict[str, Callable[[bytes], Any]] = {
    "MD5": hashlib.md5,  # what most cameras offer: the password is not sent, and https is what keeps it safe
    "SHA-256": hashlib.sha256,
    "SHA-512-256": partial(hashlib.new, "sha512_256"),
}
_PAIR = re.compile(r'([a-zA-Z-]+)\s*=\s*(?:"((?:[^"\\]|\\.)*)"|([^\s,"]+))')


@dataclass(frozen=True, slots=True)
class Digest:
    """A digest challenge."""

    realm: str
    nonce: str
    algorithm: str = "MD5"
    opaque: str | None = None
    qop: bool = False


def basic(user: str, password: str) -> str:
    """The Authorization header of the basic scheme, in UTF-8 (RFC 7617, section 2.1)."""
    return "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()


def bearer(token: str) -> str:
    """The Authorization header of a bearer token (RFC 6750, section 2.1)."""
    return f"Bearer {token}"


def challenged(headers: list[str]) -> Digest | str | None:
    """What the WWW-Authenticate headers ask for: the strongest digest known here, "basic", or None."""
    digests = [found for found in map(_digest, headers) if found is not None]
    for name in reversed(_HASHES):
        for digest in digests:
            if digest.algorithm.upper().removesuffix("-SESS") == name:
                return digest
    return "basic" if any(re.match(r"\s*basic\b", header, re.IGNORECASE) for header in headers) else None


def _digest(header: str) -> Digest | None:
    scheme, _, rest = header.strip().partition(" ")
    if scheme.lower() != "digest":
        return None
    values = {m[1].lower(): (re.sub(r"\\(.)", r"\1", m[2]) if m[2] is not None else m[3]) for m in _PAIR.finditer(rest)}
    if "nonce" not in values or "realm" not in values:
        return None
    qop = "auth" in re.split(r"[,\s]+", values.get("qop", ""))
    return Digest(values["realm"], values["nonce"], values.get("algorithm", "MD5"), values.get("opaque"), qop)


def digest(challenge: Digest, user: str, password: str, *, uri: str, nonce: str, count: int = 1) -> str:
    """The Authorization header of a GET of `uri`; `nonce` is the client's own (RFC 7616, section 3.4)."""
    name = challenge.algorithm.upper()
    function = _HASHES[name.removesuffix("-SESS")]

    def hashed(text: str) -> str:
        return str(function(text.encode()).hexdigest())

    secret = hashed(f"{user}:{challenge.realm}:{password}")
    if name.endswith("-SESS"):
        secret = hashed(f"{secret}:{challenge.nonce}:{nonce}")
    asked = hashed(f"GET:{uri}")
    times = f"{count:08x}"
    middle = f"{challenge.nonce}:{times}:{nonce}:auth" if challenge.qop else challenge.nonce
    pairs = {
        "username": _quoted(user),
        "realm": _quoted(challenge.realm),
        "nonce": _quoted(challenge.nonce),
        "uri": _quoted(uri),
        "response": _quoted(hashed(f"{secret}:{middle}:{asked}")),
        "algorithm": challenge.algorithm,
    }
    if challenge.opaque is not None:
        pairs["opaque"] = _quoted(challenge.opaque)
    if challenge.qop:
        pairs |= {"qop": "auth", "nc": times, "cnonce": _quoted(nonce)}
    return "Digest " + ", ".join(f"{key}={value}" for key, value in pairs.items())


def _quoted(text: str) -> str:
    return '"' + re.sub(r'(["\\])', r"\\\1", text) + '"'
