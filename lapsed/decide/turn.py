"""One step of the director in the making."""

from dataclasses import dataclass, field, replace

from lapsed.decide.state import Action, Shot, State, WriteNote
from lapsed.model import Note


@dataclass(slots=True)
class Turn:
    """One step in the making: the state as it changes and the actions as they gather."""

    state: State
    now: float
    actions: list[Action] = field(default_factory=list)

    @property
    def shot(self) -> Shot:
        """The shot under way, for callers that know of one."""
        assert self.state.shot is not None  # noqa: S101 - anything else is a mistake of ours
        return self.state.shot

    def do(self, *actions: Action) -> None:
        """Ask for these, in this order."""
        self.actions.extend(actions)

    def note(self, kind: str, text: str, **data: object) -> None:
        """Journal an event, if there is a take to journal it in."""
        if self.state.take is not None:
            self.do(WriteNote(Note(kind, text, data)))

    def change(self, **changes: object) -> None:
        """Change the state."""
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]  # replace() refuses names that are no fields

    def change_shot(self, **changes: object) -> None:
        """Change the shot under way."""
        self.change(shot=replace(self.shot, **changes))  # type: ignore[arg-type]  # likewise

    def change_track(self, **changes: object) -> None:
        """Change what has been seen of the print."""
        self.change(track=replace(self.state.track, **changes))  # type: ignore[arg-type]  # likewise
