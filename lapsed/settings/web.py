"""The page and its API."""

from pathlib import Path
from typing import Annotated

from pydantic import Field

from lapsed.settings.base import Part, form


class Web(Part):
    """Where the page and the API are served, and who may come in."""

    serve: bool = Field(True, description="false for no page, no API and no metrics")
    address: str = Field(
        "127.0.0.1",
        description="the address listened on: 127.0.0.1 is this computer alone, 0.0.0.0 every network it is in; "
        "with anything but this computer alone a token is asked for",
    )
    port: Annotated[int, Field(ge=0, le=65_535)] = Field(8140, description="another one if this is taken; 0 for any")
    names: tuple[
        Annotated[str, form(r"[A-Za-z0-9.:-]{1,253}", "a name of a computer, without scheme or port")], ...
    ] = Field((), description="further names that browsers know this computer by, such as workshop.local")
    token_file: Path | None = Field(
        None, description="where the token is kept, made at first start; left out, the file token in the store's folder"
    )
    proxied_https: bool = Field(
        False, description="true behind a proxy that speaks HTTPS to browsers: cookies are then for HTTPS alone"
    )
