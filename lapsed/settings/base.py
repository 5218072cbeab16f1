"""What the parts of the configuration are made of: units, names, rates, and the part itself."""

import re
from fractions import Fraction
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema


def form(pattern: str, told: str) -> AfterValidator:
    """A text that has to be of the form `pattern`; `told` says so to a reader."""

    def check(text: str) -> str:
        if not re.fullmatch(pattern, text, re.ASCII):
            raise ValueError(f"{text[:60]!r} is not {told}")
        return text

    return AfterValidator(check)


def address(*schemes: str) -> AfterValidator:
    """An address of one of `schemes` with a host in it. What it is isn't repeated: it may hold a password."""
    begins = " or ".join(f"{scheme}://" for scheme in schemes)

    def check(text: str) -> str:
        try:
            parts = urlsplit(text)
            whole = parts.scheme in schemes and parts.hostname and parts.port != 0
        except ValueError as error:
            raise ValueError(f"the address is wrong: {str(error)[:1].lower()}{str(error)[1:]}") from error
        if not whole:
            raise ValueError(
                f"an address begins with {begins} and names a host, such as {schemes[0]}://192.0.2.20:8130/"
            )
        return text

    return AfterValidator(check)


_NAME = "[a-z0-9][a-z0-9-]{0,39}"
Name = Annotated[
    str,
    form(_NAME, "a name: small letters, digits and hyphens, 40 at most, such as bench-2"),
    WithJsonSchema({"type": "string", "pattern": f"^{_NAME}$"}),
]
"""A name that is also a folder's."""

PositiveS = Annotated[float, Field(gt=0, le=3600)]
NonNegativeMm = Annotated[float, Field(ge=0, le=10_000)]
PositiveMm = Annotated[float, Field(gt=0, le=10_000)]
Point = tuple[float, float]
Share = Annotated[float, Field(ge=0, le=1)]


def _pointer(text: str) -> str:
    # RFC 6901, section 3: a JSON Pointer is empty or starts with "/"; "~" is only followed by 0 or 1.
    if text and (not text.startswith("/") or re.search(r"~(?![01])", text)):
        raise ValueError(f"{text!r} is not a JSON Pointer (RFC 6901): it starts with / and writes ~ as ~0")
    return text


Pointer = Annotated[str, AfterValidator(_pointer)]

STANDARD_RATES: dict[str, Fraction] = {
    "23.976": Fraction(24000, 1001),
    "24": Fraction(24),
    "25": Fraction(25),
    "29.97": Fraction(30000, 1001),
    "30": Fraction(30),
    "50": Fraction(50),
    "59.94": Fraction(60000, 1001),
    "60": Fraction(60),
}
"""The frame rates of film and television, by the name people use (SMPTE ST 428-11, ITU-R BT.2020 table 2)."""


_RATE = re.compile(r"\d{1,9}(\.\d{1,9}|/\d{1,9})?", re.ASCII)  # a Fraction would take years over 1e999999999


def parse_rate(value: object) -> Fraction:
    """A frame rate in frames a second from `25`, `"29.97"` or `"30000/1001"`; ValueError for anything else."""
    text = str(value).strip()
    known = STANDARD_RATES.get(text)
    try:
        rate = known if known is not None else Fraction(text if _RATE.fullmatch(text) else 0)
    except ZeroDivisionError:
        rate = Fraction(0)
    if not 1 <= rate <= 240:
        raise ValueError(f"{text!r} is not a frame rate: write {', '.join(STANDARD_RATES)} or a fraction from 1 to 240")
    return rate


Rate = Annotated[Fraction, BeforeValidator(parse_rate)]


class Part(BaseModel):
    """Base of every part of the configuration: frozen, and a key it doesn't know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)
