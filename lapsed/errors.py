"""The exceptions of lapsed, grouped by what the caller can do about them.

LapsedError
├── UserError          tell the person, exit 2: the input or the configuration must change
├── RetryError         try again later: the host is away, the camera is asleep
│   ├── ClaimedError   the same once another daemon has ended
│   └── SilentError    the same, but no answer came at all: it may have been done all the same
├── ShotMissedError    give this shot up with a reason and go on with the next one
├── TakeEndedError     this take can't go on: the disk is full, the journal can't be written
└── BugError           a state that the code says can't be: report it

A missed shot is a normal outcome; `ShotMissedError` never leaves the camera's own edge, where it becomes a row in
the journal.
"""


class LapsedError(Exception):
    """Root of all; its text is one sentence for a person: what happened, where, what to do."""


class UserError(LapsedError):
    """The input or the configuration must change; commands print the sentence and exit with 2."""


class RetryError(LapsedError):
    """The same call may work later."""


class ClaimedError(RetryError):
    """Another daemon of this computer follows the host."""


class SilentError(RetryError):
    """No answer came; what was asked for may have been done all the same."""


class ShotMissedError(LapsedError):
    """A shot has no picture; the text is the reason the journal keeps."""


class TakeEndedError(LapsedError):
    """The take can't be written any more; the print goes on without us."""


class BugError(LapsedError):
    """Something the code holds to be impossible happened."""
