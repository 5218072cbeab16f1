"""What the parts of the configuration are made of: units, names, rates, and the part itself."""

import re
from fractions import Fraction
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
"""A name that is also a folder's: small letters, digits and hyphens, 40 at most."""

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
