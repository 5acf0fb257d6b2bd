"""What is wrong with the lab now, and since when."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, get_args

from service.wiring.lab_status import Problem, ProblemKind

__all__ = ["Problems"]

_QUIET: Final = timedelta(minutes=10)
_LONG_AGO: Final = datetime(1970, 1, 1, tzinfo=UTC)
_GRAVEST_FIRST: Final[Sequence[ProblemKind]] = get_args(ProblemKind)


class Problems:
    """Remembers since when each problem is there; used by one thread, `now` by any.

    Parameters
    ----------
    time : callable
        The time.
    note : callable
        Told the kind and the words of a problem that is new; of one that comes and goes, every
        ten minutes.
    """

    def __init__(
        self, time: Callable[[], datetime], note: Callable[[ProblemKind, str], None]
    ) -> None:
        self._time = time
        self._note = note
        self._noted: dict[ProblemKind, datetime] = {}
        self.now: tuple[Problem, ...] = ()
        """What is wrong, the gravest first."""

    def are(self, found: dict[ProblemKind, str]) -> None:
        """Take what is wrong now, by kind, each in one sentence."""
        before = {problem.kind: problem for problem in self.now}
        time = self._time()
        self.now = tuple(
            Problem(kind, before[kind].since if kind in before else time, found[kind])
            for kind in _GRAVEST_FIRST
            if kind in found
        )
        for kind, text in found.items():
            if kind not in before and time - self._noted.get(kind, _LONG_AGO) > _QUIET:
                self._noted[kind] = time
                self._note(kind, text)
