"""What the host tells those who watch, and when it has told it already. Pure but for its memory."""

from typing import Any

from lapsed.sim import rpc

Facts = dict[str, dict[str, object]]


def changed(before: Facts, now: Facts) -> dict[str, Any]:
    """The facts of `now` that `before` lacks or has otherwise."""
    parts = {
        part: {name: value for name, value in facts.items() if before.get(part, {}).get(name) != value}
        for part, facts in now.items()
    }
    return {part: facts for part, facts in parts.items() if facts}


class News:
    """Makes notifications of what changed since the last time.

    With `burst` over 0, news of layers is kept back until there is so much of it or the print is over, then all comes
    at once.
    """

    def __init__(self) -> None:
        self.burst = 0
        self._told: Facts = {}
        self._layer: dict[str, object] = {}
        self._kept: list[str] = []

    def of(self, facts: Facts, console: list[str]) -> list[str]:
        """The notifications that are due, in order."""
        news = changed(self._told, facts)
        self._told = facts
        job = news.get("job", {})
        if "layer" in job:
            self._layer = {"layer": facts["job"]["layer"], "height_mm": facts["job"]["height_mm"]}
            if self.burst:
                self._kept += self.layer_again()
                news["job"] = {name: value for name, value in job.items() if name not in self._layer}
        if console:
            news["console"] = console
        due: list[str] = []
        over = job.get("stage", "running") not in ("running", "held", "paused")
        if self.burst and (over or len(self._kept) >= self.burst):
            due, self._kept, self.burst = self._kept, [], 0
        if any(news.values()):
            due.append(rpc.news(news))
        return due

    def layer_again(self) -> list[str]:
        """The last news of a layer, if there was any, once more."""
        return [rpc.news({"job": self._layer})] if self._layer else []
