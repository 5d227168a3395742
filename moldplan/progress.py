"""Progress and cancelling as one small object that every long computation accepts."""

from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event

from moldplan.errors import StoppedError


def _silent(_what: str, _share: float) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class Progress:
    """Tell a person what is being done, and stop when asked.

    Parameters
    ----------
    tell
        Called with a few plain words and the share done, 0 to 1.
    stop
        Set it from any thread to end the work at the next `step`.
    """

    tell: Callable[[str, float], None] = _silent
    stop: Event = field(default_factory=Event)

    def step(self, what: str, share: float) -> None:
        """Report `what` at `share` (0 to 1).

        Raises
        ------
        StoppedError
            When `stop` has been set.
        """
        if self.stop.is_set():
            raise StoppedError(f"stopped on request while: {what}")
        self.tell(what, share)

    def part(self, low: float, high: float) -> "Progress":
        """Return a progress for one part of the work: its 0..1 is `low`..`high` of this one's."""
        return Progress(tell=lambda what, share: self.tell(what, low + (high - low) * share), stop=self.stop)


QUIET = Progress()
