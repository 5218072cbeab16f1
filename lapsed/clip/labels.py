"""What a clip's file says of itself; pure."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Tags:
    """`taken` is when the first frame was shot, ISO 8601. Where it was shot is never told."""

    title: str
    taken: str | None = None
    comment: str | None = None

    def as_metadata(self) -> dict[str, str]:
        """By the names that libavformat gives them."""
        found = {"title": self.title, "date": self.taken, "creation_time": self.taken, "comment": self.comment}
        return {name: text for name, text in found.items() if text}


NO_TAGS: Final = Tags("")
