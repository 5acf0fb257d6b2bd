"""A bench over HTTP, seen from the measuring side: the bench control API, version 1.

Every answer is checked before anything believes it. A lease is kept alive by a thread of its own;
that it was lost is noticed at the next call.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping

import httpx

from acoustic.errors import EvenhushError
from calibration.bench_state import BenchDescription, BenchState
from service.bench.calls import BenchCalls, request_body
from service.documents.bench_api import (
    BenchAnswer,
    DutyRequest,
    LeaseAnswer,
    LeaseRequest,
    RenewalRequest,
    StateAnswer,
    description_from,
    state_from,
)
from service.errors import BenchMisbehaved, LeaseLost, SafetyStop
from service.http_calls import HttpAnswer

__all__ = ["BenchClient"]

LEASE_S = 15.0
"""Length of lease to ask for, in seconds, where the bench grants that much."""

logger = logging.getLogger(__name__)


class BenchClient:
    """Speaks to one bench; one thread at a time.

    Parameters
    ----------
    base_url : str
        Where the API begins; may end in a path prefix.
    token : str, optional
        What the bench asks for.
    patience_s : float, optional
        How long one call may take with its repetitions after short network errors, in seconds;
        well below the length of a lease.
    transport : httpx.BaseTransport, optional
        What carries the calls instead of the network.
    clock : callable, optional
        Monotonic time in seconds, by which the lease ends.

    Raises
    ------
    SettingsError
        If the address or the token is unusable.
    """

    def __init__(
        self,
        base_url: str,
        *,
        token: str | None = None,
        patience_s: float = 4.0,
        transport: httpx.BaseTransport | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._calls = BenchCalls(base_url, token=token, patience_s=patience_s, transport=transport)
        self._patience_s = patience_s
        self._clock = clock
        self._description: BenchDescription | None = None
        self._held: _HeldLease | None = None

    def describe(self) -> BenchDescription:
        """Ask what the bench is.

        Returns
        -------
        BenchDescription
            The bench.

        Raises
        ------
        BenchError
            If it does not answer, or not by the API.
        """
        answer = self._calls.call("GET", "/v1/bench", 200)
        self._description = description_from(self._calls.read(BenchAnswer, "/v1/bench", answer))
        return self._description

    def state(self) -> BenchState:
        """Ask what the bench does now.

        Returns
        -------
        BenchState
            Its state. That it protects itself is told before that the lease is lost.

        Raises
        ------
        LeaseLost
            If a lease was taken, not given back, and is lost.
        SafetyStop
            If the lease was lost as the bench protected itself, which it does not any more.
        BenchError
            If it does not answer, or not by the API.
        """
        state = self._checked_state(self._calls.call("GET", "/v1/state", 200), "/v1/state")
        if self._held is not None and state.control != "safe":
            self._held.check()
        return state

    def acquire(self, holder: str) -> None:
        """Take the lease, and keep it alive until `release`.

        Parameters
        ----------
        holder : str
            Who asks, told to others who find the bench taken.

        Raises
        ------
        LeaseHeld
            If somebody else holds it.
        SafetyStop
            If the bench is in its safe state.
        BenchError
            If it does not answer, or not by the API.
        """
        description = self._description or self.describe()
        seconds = min(LEASE_S, description.lease_max_s)
        body = request_body(LeaseRequest, holder=holder, seconds=seconds)
        asked_s = self._clock()
        # Not repeated once it may have arrived: a second lease would be refused because of the
        # first, whose secret nobody knows. That one is never renewed and so lapses soon.
        answer = self._calls.call("POST", "/v1/lease", 201, body=body, repeat=False)
        lease = self._calls.read(LeaseAnswer, "/v1/lease", answer)
        held = _HeldLease(lease.lease, seconds)
        held.extend(asked_s, lease.expires_in_s)
        self._held = held
        held.start(lambda: self._keep(held))

    def set_duty(self, duty_percent: Mapping[str, float]) -> BenchState:
        """Set duties, all or none.

        Parameters
        ----------
        duty_percent : mapping of str to float
            Duty in percent by actuator.

        Returns
        -------
        BenchState
            The state after it.

        Raises
        ------
        LimitExceeded
            If one is outside the bench's limits.
        LeaseLost
            If there is no lease, or it is lost.
        SafetyStop
            If the bench took over to protect the hardware.
        BenchError
            If it does not answer, or not by the API.
        """
        held = self._held
        if held is None:
            raise LeaseLost("The bench is not leased; take the lease first.")
        held.check()
        body = request_body(
            DutyRequest, duty_percent={k: float(v) for k, v in duty_percent.items()}
        )
        try:
            answer = self._calls.call(
                "PUT", "/v1/duty", 200, body=body, lease=held.secret, patience_s=held.third_s
            )
        except LeaseLost as lost:
            # A bench may take the lease away when it protects itself; then the reason comes first,
            # and otherwise `state` itself raises that the lease is lost.
            held.lost = lost
            state = self.state()
            raise SafetyStop(f"The bench protects itself: {state.why}.") from lost
        return self._checked_state(answer, "/v1/duty")

    def release(self) -> None:
        """Give the lease back and stop renewing it; never raises, harmless when done twice."""
        held, self._held = self._held, None
        if held is None:
            return
        held.stopped.set()
        try:
            self._calls.call("DELETE", "/v1/lease", 204, lease=held.secret, patience_s=held.third_s)
        except LeaseLost:
            pass  # it lapsed, or an earlier attempt gave it back
        except Exception as error:  # noqa: BLE001 - whoever cleans up has to get on with it
            logger.warning("The lease could not be given back and will lapse: %s", error)
        held.join(self._patience_s + 1)

    def close(self) -> None:
        """Give the lease back and the connections up; harmless when done twice."""
        self.release()
        self._calls.close()

    def _keep(self, held: "_HeldLease") -> None:
        """Renew a lease at a third of its life, until it is given back or lost."""
        body = request_body(RenewalRequest, seconds=held.seconds)
        pause_s = held.third_s
        while not held.stopped.wait(pause_s):
            asked_s = self._clock()
            try:
                answer = self._calls.call(
                    "PUT", "/v1/lease", 200, body=body, lease=held.secret, patience_s=held.third_s
                )
                renewed = self._calls.read(LeaseAnswer, "/v1/lease", answer)
            except (LeaseLost, SafetyStop) as error:
                held.lost = error
                return
            except EvenhushError as error:
                if self._clock() >= held.ends_s:
                    held.lost = LeaseLost(f"The lease could not be renewed in time: {error}")
                    return
                pause_s = held.third_s / 4
            else:
                held.extend(asked_s, renewed.expires_in_s)
                pause_s = held.third_s

    def _checked_state(self, answer: HttpAnswer, path: str) -> BenchState:
        """Take a state out of an answer, with everything in it that the bench says it has."""
        state = state_from(self._calls.read(StateAnswer, path, answer))
        if self._description is not None:
            missing = set(self._description.actuators) - set(state.actuators)
            if state.control != "safe":  # a sensor that fails makes a bench safe
                missing |= set(self._description.temperature_limits_c) - set(state.temperatures_c)
            if missing:
                raise BenchMisbehaved(
                    f"{self._calls.where} leaves {', '.join(sorted(missing))} "
                    "out of its state, though it says that it has it."
                )
        return state


class _HeldLease:
    """A lease that is ours, with the thread that keeps it alive."""

    def __init__(self, secret: str, seconds: float) -> None:
        self.secret = secret
        self.seconds = seconds
        self.ends_s = self.third_s = 0.0
        self.lost: EvenhushError | None = None
        self.stopped = threading.Event()
        self._thread: threading.Thread | None = None

    def extend(self, from_s: float, life_s: float) -> None:
        """Let it live anew; never longer than asked for, whatever the bench says."""
        life_s = min(life_s, self.seconds)
        self.ends_s = from_s + life_s
        self.third_s = life_s / 3

    def start(self, keep: Callable[[], None]) -> None:
        """Keep it alive."""
        self._thread = threading.Thread(target=keep, name="evenhush-lease", daemon=True)
        self._thread.start()

    def join(self, timeout_s: float) -> None:
        """Wait until nothing keeps it alive any more."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def check(self) -> None:
        """Raise if it is lost."""
        if self.lost is not None:
            raise type(self.lost)(str(self.lost)) from self.lost
