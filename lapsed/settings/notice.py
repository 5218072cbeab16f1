"""Telling other programs what became of a print."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from lapsed.settings.base import Part, address

NoticeKind = Literal["take started", "trouble", "take ended", "clip ready"]


class Notice(Part):
    """One hook that is told what happens: an address that JSON is posted to, a program that reads it, or both."""

    url: Annotated[str, address("http", "https")] | None = Field(
        None, description="posted to, with a JSON object as its body; an answer from 200 to 299 counts as heard"
    )
    headers: dict[str, str] = Field(default_factory=dict, description="HTTP headers of the post, such as a key")
    command: tuple[str, ...] = Field((), description="a program and its arguments; the JSON object is on its input")
    of: tuple[NoticeKind, ...] = Field(
        ("take started", "trouble", "take ended", "clip ready"), description="what is told; leave out what isn't wanted"
    )
    within_s: Annotated[float, Field(gt=0, le=120)] = Field(
        10.0, description="how long an answer or the program may take before it counts as failed"
    )

    @model_validator(mode="after")
    def _someone_is_told(self) -> Self:
        if self.url is None and not self.command:
            raise ValueError("give url or command: someone has to be told")
        return self
