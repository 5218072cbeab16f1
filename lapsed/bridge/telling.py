"""What the daemon is told of the print, and by which token its answer names a layer."""

from lapsed.bridge import talk
from lapsed.bridge.reading import Began, Ended, LayerBegins, News, Reading
from lapsed.bridge.wire import Wire


class Telling:
    """Turns what is read into words; `token` is that of the last layer told."""

    def __init__(self, session: str, wire: Wire, reading: Reading) -> None:
        self.token = 0
        self._session = session
        self._wire = wire
        self._reading = reading
        self._height_mm = 0.0

    def news(self, news: tuple[News, ...]) -> LayerBegins | None:
        """Say what a line means; the layer that it begins, if it does, is for the caller to tell."""
        layer = None
        for one in news:
            match one:
                case Began():
                    self._height_mm = 0.0
                    self.began(joined=one.joined)
                case LayerBegins():
                    layer = one
                    self._height_mm = one.height_mm
                case Ended(outcome, reason):
                    self._wire.say(talk.PrintOver(outcome.value, reason))
        return layer

    def began(self, *, joined: bool) -> None:
        """Say that a print runs; `joined` if it did before."""
        reading = self._reading
        run = f"{self._session}-{reading.run}"
        layer = reading.layering.number if joined else 0
        self._wire.say(talk.PrintBegan(run, joined, reading.name, reading.card is not None, layer, self._height_mm))

    def layer(self, layer: LayerBegins, *, waits: bool) -> int:
        """Say that a layer begins, and whether its first line waits for the answer; the token that names it."""
        self.token += 1
        self._wire.say(talk.Layer(self.token, layer.number, layer.height_mm, waits=waits))
        return self.token
