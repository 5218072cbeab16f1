"""Where the file that the host prints can be read beforehand."""

from pathlib import Path
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import Field, model_validator

from lapsed.settings.base import Part, address


class Files(Part):
    """A folder that the host shares, or an address that serves its files; with both, the folder is looked in first."""

    folder: Path | None = Field(None, description="where the host keeps the files it prints, as this computer sees it")
    url: Annotated[str, address("http", "https")] | None = Field(
        None, description="address of a file, with {file} where its name belongs; redirects are not followed"
    )
    headers: dict[str, str] = Field(default_factory=dict, description="HTTP headers of the request, such as a key")
    most_mb: Annotated[int, Field(ge=1, le=500)] = Field(500, description="larger files are left unread")
    within_s: Annotated[float, Field(ge=1, le=3600)] = Field(
        300.0, description="how long reading may take, at idle priority beside the print; then it is given up"
    )

    @model_validator(mode="after")
    def _a_place(self) -> Self:
        if self.folder is None and self.url is None:
            raise ValueError("give a folder, or a url with {file} in it")
        if self.url is not None:
            parts = urlsplit(self.url)
            if "{file}" not in parts.path + parts.query:
                raise ValueError("the url needs {file} in its path or its query, where the file's name belongs")
            if "@" in parts.netloc or "{" in parts.netloc:
                raise ValueError("the url's host is a plain name or address; a password belongs in headers")
        return self
