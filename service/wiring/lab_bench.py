"""The bench as the lab knows it: looked at while nobody measures, and seen by whoever does."""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from acoustic.errors import EvenhushError
from calibration.bench_state import BenchDescription, BenchState
from service.bench.client import BenchClient
from service.live.bench_view import ActuatorView, BenchControl, BenchView
from service.ports import BenchConnection

__all__ = ["BenchAddress", "BenchWatch", "WatchedBench", "turning_in"]

_PAUSES: Final = (1, 2, 5, 10, 30)
"""After so many looks in vain, looks are left out."""
_DESCRIBED_EVERY: Final = 60
"""What the bench is, is asked with every so many looks: it may be started with another one."""
_FRESH_S: Final = 0.9
"""A state younger than this need not be asked for."""


@dataclass(frozen=True, slots=True)
class BenchAddress:
    """Where a bench is."""

    url: str
    """Its base URL."""
    token: str | None = None
    """What it asks for."""


class BenchWatch:
    """What is known of the bench; `view` may be read from any thread.

    Parameters
    ----------
    address : BenchAddress
        Where it is.
    now : callable
        The time.
    """

    def __init__(self, address: BenchAddress, now: Callable[[], datetime]) -> None:
        self._address = address
        self._now = now
        self._lock = threading.Lock()
        self._client = self.connect(patience_s=1.0)
        self._description: BenchDescription | None = None
        self._state: BenchState | None = None
        self._failures = 0
        self._left_out = 0
        self._looks = 0
        self._stale = True
        self.view = BenchView(
            name=None,
            url=address.url,
            time=None,
            control="unreachable",
            holder=None,
            why="The bench was not asked yet.",
            actuators={},
            temperatures_c={},
            temperature_limits_c={},
            mounted=None,
        )
        """The bench now."""

    def connect(self, *, patience_s: float) -> BenchClient:
        """Reach the bench by a connection of one's own."""
        return BenchClient(self._address.url, token=self._address.token, patience_s=patience_s)

    def look(self) -> None:
        """Ask the bench, unless a measurement did just now; one that is away less and less often.

        From one thread only.
        """
        time = self.view.time
        fresh = time is not None and (self._now() - time).total_seconds() < _FRESH_S
        if fresh and not self._stale:
            return
        if self._left_out > 0:
            self._left_out -= 1
            return
        try:
            asked = self._looks % _DESCRIBED_EVERY == 0 or self._stale or self._failures > 0
            description = self._client.describe() if asked else None
            state = self._client.state()
        except EvenhushError as error:
            self._left_out = _PAUSES[min(self._failures, len(_PAUSES) - 1)] - 1
            self._failures += 1
            with self._lock:
                self.view = replace(self.view, control="unreachable", why=str(error), holder=None)
        else:
            self._failures = 0
            self._looks += 1
            self.note(state, description)

    def note(self, state: BenchState, description: BenchDescription | None = None) -> None:
        """Take what the bench has told."""
        with self._lock:
            self._description = description or self._description
            if self._description is None:
                return
            self._stale = False
            held = self.view.holder
            if state.control == "leased":
                held = held or "another program"
            self.view = replace(
                self.view,
                name=self._description.bench,
                time=self._now(),
                control=_control_of(state),
                holder=held if state.control == "leased" else None,
                why=state.why,
                actuators=_actuators_of(self._description, state),
                temperatures_c=dict(state.temperatures_c),
                temperature_limits_c=dict(self._description.temperature_limits_c),
            )

    def know(self, description: BenchDescription) -> None:
        """Take what the bench is."""
        with self._lock:
            self._description = description

    def hold(self, holder: str) -> None:
        """Note who of us holds the lease."""
        with self._lock:
            self.view = replace(self.view, holder=holder)

    def let_go(self) -> None:
        """Note that we gave the lease back; the next look tells what the bench does now."""
        with self._lock:
            control = "own" if self.view.control == "leased" else self.view.control
            self.view = replace(self.view, holder=None, control=control)
            self._stale = True

    def mount(self, cooler: str | None) -> None:
        """Note what is mounted, as far as somebody said so; the bench may be another one now."""
        with self._lock:
            self.view = replace(self.view, mounted=cooler)
            self._stale = True
            self._left_out = 0

    def close(self) -> None:
        """Give the connection up."""
        self._client.close()


class WatchedBench:
    """A connection beside which the lab sees what the bench does.

    Parameters
    ----------
    bench : BenchConnection
        The connection.
    watch : BenchWatch
        What is shown of the bench.
    """

    def __init__(self, bench: BenchConnection, watch: BenchWatch) -> None:
        self._bench = bench
        self._watch = watch

    def describe(self) -> BenchDescription:
        """Ask what the bench is."""
        description = self._bench.describe()
        self._watch.know(description)
        return description

    def state(self) -> BenchState:
        """Ask what the bench does now."""
        return self._noted(self._bench.state())

    def acquire(self, holder: str) -> None:
        """Take the lease."""
        self._bench.acquire(holder)
        self._watch.hold(holder)

    def set_duty(self, duty_percent: Mapping[str, float]) -> BenchState:
        """Set duties by actuator name, all or none."""
        return self._noted(self._bench.set_duty(duty_percent))

    def release(self) -> None:
        """Give the lease back."""
        self._bench.release()
        self._watch.let_go()

    def _noted(self, state: BenchState) -> BenchState:
        self._watch.note(state)
        return state


def turning_in(states: Sequence[BenchState]) -> dict[str, float | None]:
    """Find what turned in any of some states, with its highest speed; None without a tachometer.

    Where nothing tells a speed, a duty above zero counts as turning.
    """
    turning: dict[str, float | None] = {}
    for state in states:
        for name, actuator in state.actuators.items():
            if actuator.rpm is None:
                if actuator.duty_percent > 0.0:
                    turning[name] = None
            elif actuator.rpm > 0.0:
                turning[name] = max(turning.get(name) or 0.0, actuator.rpm)
    return turning


def _control_of(state: BenchState) -> BenchControl:
    control: BenchControl = state.control
    return control


def _actuators_of(description: BenchDescription, state: BenchState) -> dict[str, ActuatorView]:
    """Put limits and state of each actuator together."""
    found = {}
    for name, actuator in description.actuators.items():
        now = state.actuators.get(name)
        found[name] = ActuatorView(
            role=actuator.role,
            duty_percent=None if now is None else now.duty_percent,
            rpm=None if now is None else now.rpm,
            min_duty_percent=actuator.min_duty_percent,
            max_duty_percent=actuator.max_duty_percent,
        )
    return found
