"""What goes out, and what answers are due: shared by all that makes up the relay."""

from dataclasses import dataclass, field

from lapsed.bridge import talk

BUSY = b"echo:busy: processing\n"


@dataclass(slots=True)
class Wire:
    """What has gathered for printer, host and daemon, and the answers that are still to come.

    `host_due` and `ours_due` count lines that the printer has yet to answer; ours are answered first. `doubtful` are
    answers kept from the host that may have been meant for it. `tail_passed` bytes of an unfinished line have gone to
    the host. The host sent last at `sent_at`, heard last at `told_at`, the printer spoke last at `heard_at`. Until
    `rest_until` answers can't be counted on.
    """

    to_printer: bytearray = field(default_factory=bytearray)
    to_host: bytearray = field(default_factory=bytearray)
    says: list[talk.FromBridge] = field(default_factory=list)
    attached: bool = False
    host_due: int = 0
    ours_due: int = 0
    doubtful: int = 0
    asks_place: bool = False
    tail_passed: int = 0
    sent_at: float = 0.0
    heard_at: float = 0.0
    told_at: float = 0.0
    rest_until: float = 0.0

    def send(self, line: bytes, now: float) -> None:
        """Send a line of ours."""
        self.to_printer += line + b"\n"
        self.ours_due += 1
        self.heard_at = now

    def tell_host(self, data: bytes, now: float) -> None:
        """Pass something on to the host."""
        self.to_host += data
        self.told_at = now

    def ask_place(self, now: float) -> None:
        """Ask the printer where it is."""
        self.asks_place = True
        self.send(b"M114", now)

    def say(self, message: talk.FromBridge) -> None:
        """Tell the daemon, if it is there."""
        if self.attached:
            self.says.append(message)

    def nothing_due(self) -> None:
        """The printer has forgotten all that it was sent."""
        self.host_due = self.ours_due = self.doubtful = 0
