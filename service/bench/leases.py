"""The one lease of a bench: who holds it and until when."""

import secrets
from collections.abc import Callable
from dataclasses import dataclass

from service.errors import LeaseHeld, LeaseLost, LimitExceeded

__all__ = ["LeaseGrant", "LeaseKeeper"]


@dataclass(frozen=True, slots=True)
class LeaseGrant:
    """A lease as it is given out."""

    lease: str
    """The secret that shows who holds it."""
    expires_in_s: float
    """How long it lasts from now, in seconds."""


class LeaseKeeper:
    """Gives out one lease at a time; used by one thread at a time.

    Parameters
    ----------
    longest_s : float
        Longest lease it grants, in seconds.
    clock : callable
        Monotonic time in seconds.
    """

    def __init__(self, longest_s: float, clock: Callable[[], float]) -> None:
        self._longest_s = longest_s
        self._clock = clock
        self._secret: str | None = None
        self._ends_s = 0.0
        self.holder: str | None = None
        """Who holds the lease, lapsed or not, until it is ended."""

    @property
    def lapsed(self) -> bool:
        """Whether the lease is out and its time is over."""
        return self._secret is not None and self._clock() >= self._ends_s

    def grant(self, holder: str, seconds: float) -> LeaseGrant:
        """Give the lease out.

        Parameters
        ----------
        holder : str
            Who asks.
        seconds : float
            For how long.

        Returns
        -------
        LeaseGrant
            The lease.

        Raises
        ------
        LimitExceeded
            If that is too long.
        LeaseHeld
            If somebody else holds it.
        """
        self._check_length(seconds)
        if self._secret is not None:
            raise LeaseHeld(
                f"The bench is leased by {self.holder} for another "
                f"{self._ends_s - self._clock():.0f} s; wait until it is given back."
            )
        self._secret = secrets.token_urlsafe(24)
        self._ends_s = self._clock() + seconds
        self.holder = holder
        return LeaseGrant(self._secret, seconds)

    def renew(self, lease: str, seconds: float) -> LeaseGrant:
        """Let the lease last for `seconds` from now.

        Parameters
        ----------
        lease : str
            The secret.
        seconds : float
            For how long.

        Returns
        -------
        LeaseGrant
            The same lease.

        Raises
        ------
        LimitExceeded
            If that is too long.
        LeaseLost
            If this is not the lease that is out.
        """
        self.check(lease)
        self._check_length(seconds)
        self._ends_s = self._clock() + seconds
        return LeaseGrant(lease, seconds)

    def check(self, lease: str) -> None:
        """Let the holder pass.

        Parameters
        ----------
        lease : str
            The secret.

        Raises
        ------
        LeaseLost
            If this is not the lease that is out.
        """
        known = self._secret is not None and secrets.compare_digest(
            self._secret.encode(), lease.encode()
        )
        if not known:
            raise LeaseLost("This lease is unknown or has lapsed; take a new one.")

    def end(self) -> None:
        """Forget the lease."""
        self._secret = self.holder = None

    def _check_length(self, seconds: float) -> None:
        """Raise if a lease may not last that long."""
        if not 0 < seconds <= self._longest_s:
            raise LimitExceeded(
                f"A lease lasts at most {self._longest_s:g} s, not {seconds:g} s; "
                "ask for less and renew it."
            )
