"""Cameras that are asked for a picture: by an address, or by running a program."""

import re
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import Field, model_validator

from lapsed.settings.base import PositiveS, address, form
from lapsed.settings.camera_part import CameraPart

Text = Annotated[str, Field(min_length=1)]
MostMb = Annotated[float, Field(gt=0, le=2000)]


class UrlCamera(CameraPart):
    """A camera on the network that answers a GET of its address with a JPEG."""

    kind: Literal["url"]
    url: Annotated[str, address("http", "https")] = Field(
        description="http:// or https:// address of the still picture; no user or password in it"
    )
    user: str | None = Field(None, description="for basic or digest authentication, whichever the camera asks for")
    password: str | None = Field(None, description="goes with user; keep the file to yourself (chmod 600)")
    token: str | None = Field(None, description="for bearer authentication (RFC 6750), in place of user and password")
    ca_file: str | None = Field(None, description="certificate (PEM) that the camera's https is verified against")
    skip: Annotated[int, Field(ge=0, le=10)] = Field(
        0, description="new pictures passed over after the order: 0 if it exposes when asked, 2 if by its own clock"
    )
    connect_within_s: PositiveS = Field(3.0, description="how long the camera may take to answer a connection")
    most_mb: MostMb = Field(50.0, description="a longer answer is no picture, and is not read to its end")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        parts = urlsplit(self.url)
        if re.search(r"[\s\x00-\x1f]", self.url):
            raise ValueError("the address has spaces in it; write them as %20")
        if parts.username is not None or parts.password is not None:
            raise ValueError("the address holds a user or a password; give them as user and password")
        if (self.user is None) != (self.password is None):
            raise ValueError("user and password go together; give both or neither")
        if self.user is not None and self.token is not None:
            raise ValueError("user and token are two ways to authenticate; keep one")
        return self


class CommandCamera(CameraPart):
    """A program of the user's that takes the picture."""

    kind: Literal["command"]
    argv: tuple[Text, ...] = Field(
        min_length=1,
        description='the program and its arguments, no shell; "{out}" is the file to write, without it stdout is read',
    )
    suffix: Annotated[str, form(r"[a-z0-9]{1,8}", "what a file's name ends in, without the point: jpg")] = Field(
        "jpg", description="what the picture's name ends in"
    )
    tells_exposed: bool = Field(
        False, description='true if it prints a line "exposed" when the shutter has closed, so that the head may go'
    )
    most_mb: MostMb = Field(200.0, description="more than this on stdout is no picture")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if "{out}" in self.argv[0]:
            raise ValueError("argv begins with the program; {out} is one of its arguments")
        if self.tells_exposed and not self.has_out:
            raise ValueError("tells_exposed needs stdout, which is the picture here; have the program write {out}")
        return self

    @property
    def has_out(self) -> bool:
        """Whether the program writes a file, rather than to its stdout."""
        return any("{out}" in word for word in self.argv)
