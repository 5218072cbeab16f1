"""What the printed file, read beforehand, has to say in a check; pure."""

from dataclasses import dataclass, replace

from lapsed.camera.inspection import span
from lapsed.model import Check, Forecast, PrintInfo, Verdict


@dataclass(frozen=True, slots=True)
class Printed:
    """A file that was read, or why it was not; `named` is true where a person asked for it, else the host told it."""

    name: str
    forecast: Forecast | None
    reason: str
    named: bool

    @property
    def top_mm(self) -> float | None:
        """How high the tallest thing in it becomes."""
        return max(self.forecast.heights_mm) if self.forecast is not None else None

    def told(self, running: PrintInfo | None) -> PrintInfo | None:
        """What is known of the print: the file's own figures, and the host's where it has none."""
        if self.forecast is None:
            return running
        return replace(
            running or PrintInfo(self.name),
            layers=len(self.forecast.begins_s),
            # As the cadence counts height: on through objects finished one after another.
            height_mm=self.forecast.climbed_mm[-1],
            expected_s=self.forecast.print_s,
        )

    def line(self, wanted: int | None) -> Check:
        """The check's line; `wanted` is how many frames the rule comes to."""
        if self.forecast is None:
            verdict = Verdict.FAIL if self.named else Verdict.WARN
            advice = "name the file that is to be printed" if self.named else "mend [printer.files] as the reason says"
            found = self.reason if self.name in self.reason else f"{self.name}: {self.reason}"
            return Check("printed file", verdict, found, advice)
        found = (
            f"{self.name}: {len(self.forecast.begins_s)} layers, {max(self.forecast.heights_mm):.2f} mm high,"
            f" {span(self.forecast.print_s)} of motion"
        )
        return Check("printed file", Verdict.PASS, found + (f"; the rule wants {wanted} frames" if wanted else ""))
