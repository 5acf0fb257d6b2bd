"""The queue of measurements: one at a time, each with its state, kept over restarts."""

from collections.abc import Collection

from service.documents.jobs import JobRequest
from service.jobs.job_views import JobState, JobView
from service.records.paging import Page

__all__ = ["JobQueue"]


class JobQueue:
    """Measurements that wait, run or were done; used from any thread.

    Every method that changes a job returns it as it is then. All of them raise `NotKept` for
    an id that is none, and `WrongJobState` where the job's state does not allow it.
    """

    def add(self, request: JobRequest, who: str, *, position: int | None = None) -> JobView:
        """Put a measurement into the queue.

        Parameters
        ----------
        request : JobRequest
            What is to be measured.
        who : str
            Who asks.
        position : int, optional
            Place among those that wait, 0 for the next; by default the last. One that only waits
            for a person lets another go before.

        Returns
        -------
        JobView
            The job.

        Raises
        ------
        InputError
            If the request cannot be done here: no such cooler, no bench, options that exclude each
            other.
        """
        raise NotImplementedError

    def list(
        self,
        states: Collection[JobState] | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[JobView]:
        """List jobs, newest first."""
        raise NotImplementedError

    def active(self) -> tuple[JobView, ...]:
        """Return what has not ended: the one whose turn it is, those that wait, those paused."""
        raise NotImplementedError

    def get(self, job_id: str) -> JobView:
        """Return a job."""
        raise NotImplementedError

    def pause(self, job_id: str, who: str) -> JobView:
        """Let a job that waits or runs rest; the bench is given back within a tenth of a second."""
        raise NotImplementedError

    def resume(self, job_id: str, who: str) -> JobView:
        """Let a paused job wait for its turn again; it goes on with what it has learned."""
        raise NotImplementedError

    def stop(self, job_id: str, who: str) -> JobView:
        """End a job that has not ended."""
        raise NotImplementedError

    def go_on(self, job_id: str, who: str) -> JobView:
        """Say that what a job waits for is done, or take up one that broke off.

        One that was interrupted, failed or was stopped goes on with what it has learned.
        """
        raise NotImplementedError

    def retake(self, job_id: str, who: str) -> JobView:
        """Measure the same anew, from nothing, and return the new job, which comes next.

        A job that has not ended is stopped.
        """
        raise NotImplementedError

    def move(self, job_id: str, position: int, who: str) -> JobView:
        """Give a job that waits another place, 0 for the next."""
        raise NotImplementedError
