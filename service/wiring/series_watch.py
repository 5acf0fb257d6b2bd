"""Who watches a series of matches while it runs."""

from calibration.results import MatchRequest
from calibration.steps import Heard
from service.wiring.series_progress import DoneMatch

__all__ = ["SeriesWatch"]


class SeriesWatch:
    """Is shown everything, and does nothing with it unless it is made to."""

    def aims(self, request: MatchRequest) -> None:
        """See what is gone for next."""

    def hears(self, heard: Heard) -> None:
        """See what is heard, and what the bench does."""

    def has_done(self, done: DoneMatch) -> None:
        """See a match that came to an end, now or in an earlier run."""
