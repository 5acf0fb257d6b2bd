"""The bench's guard: who may set speeds, within which limits, and when nobody may any more.

::

    own ---- grant ----> leased ---- release, lapse ----> own
     |                     |
     +------ trouble ------+----> safe ---- all well for a while ----> own

Trouble is a temperature at its limit, a sensor that cannot be read, a duty that cannot be set, a
rotor that stands still where it should turn, a duty that reads otherwise than it was set, or a
hand-back that fails. In the safe state everything is set to full speed, over and over again, until
all is well and cool.

The guard looks at its hardware at each call, and whoever hosts it calls `BenchGuard.tick` from a
thread of its own, so that nothing depends on anybody calling.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping
from functools import partial

from acoustic.errors import InputError
from calibration.bench_state import ActuatorState, BenchDescription, BenchState, Control
from service.bench.hardware_watch import HardwareWatch, failure_of
from service.bench.held_duties import HeldDuties
from service.bench.leases import LeaseGrant, LeaseKeeper
from service.errors import HardwareFault, LimitExceeded, SafetyStop
from service.ports import BenchHardware

__all__ = ["TICK_S", "BenchGuard"]

TICK_S = 0.25
"""How often `BenchGuard.tick` wants to be called, in seconds."""
RECOVERY_S = 5.0
"""How long everything must have been well before the bench leaves its safe state."""

logger = logging.getLogger(__name__)


class BenchGuard:
    """State machine over a bench's hardware; every method may be called from any thread.

    Parameters
    ----------
    hardware : BenchHardware
        What it guards; nobody else may call it.
    lease_max_s : float, optional
        Longest lease it grants, in seconds.
    clock : callable, optional
        Monotonic time in seconds, by which leases lapse.
    hardware_clock : callable, optional
        Time in seconds as the hardware lives it, by which rotors are judged; for simulated
        hardware that is the sound drawn from it. By default the same as `clock`.

    Raises
    ------
    HardwareFault
        If the hardware cannot be read at all.
    """

    def __init__(
        self,
        hardware: BenchHardware,
        *,
        lease_max_s: float = 60.0,
        clock: Callable[[], float] = time.monotonic,
        hardware_clock: Callable[[], float] | None = None,
    ) -> None:
        self._hardware = hardware
        self._clock = clock
        self._lock = threading.Lock()
        self._watch = HardwareWatch(hardware, hardware_clock or clock)
        self._held = HeldDuties()
        self._control: Control = "own"
        self._why: str | None = None
        self._leases = LeaseKeeper(lease_max_s, clock)
        self._full_speed_fails = False
        self._well_since_s: float | None = None
        self._closed = False
        self._when_looked: Callable[[Control], None] = lambda _: None
        self.description = BenchDescription(
            bench=hardware.name,
            actuators=dict(hardware.actuators),
            temperature_limits_c=dict(hardware.temperature_limits_c),
            lease_max_s=lease_max_s,
        )
        """What the bench is."""

    def when_looked(self, tell: Callable[[Control], None]) -> None:
        """Have somebody told after each look at the hardware what the bench does now.

        Parameters
        ----------
        tell : callable
            Called with the control while nobody else can look; must not wait.
        """
        self._when_looked = tell

    def state(self) -> BenchState:
        """Look at the hardware and say what the bench does now."""
        with self._lock:
            self._attend()
            return self._state()

    def tick(self) -> None:
        """Look after lease and hardware; to be called every `TICK_S` by a thread of its own."""
        with self._lock:
            self._attend()

    def grant(self, holder: str, seconds: float) -> LeaseGrant:
        """Lease the bench.

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
            If that is longer than the bench allows.
        LeaseHeld
            If somebody else holds it.
        SafetyStop
            If the bench is in its safe state.
        """
        with self._lock:
            self._attend()
            self._check_not_safe()
            granted = self._leases.grant(holder, seconds)
            self._change("leased", f"leased for {seconds:g} s")
            return granted

    def renew(self, lease: str, seconds: float) -> LeaseGrant:
        """Let a lease last for `seconds` from now.

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
            If that is longer than the bench allows.
        LeaseLost
            If this is not the lease that is out.
        SafetyStop
            If the bench is in its safe state.
        """
        with self._lock:
            self._attend()
            self._leases.check(lease)
            self._check_not_safe()
            return self._leases.renew(lease, seconds)

    def set_duty(self, lease: str, duty_percent: Mapping[str, float]) -> BenchState:
        """Set duties, all or none.

        Parameters
        ----------
        lease : str
            The secret.
        duty_percent : mapping of str to float
            Duty in percent by actuator; the others stay as they are.

        Returns
        -------
        BenchState
            The state after it.

        Raises
        ------
        LeaseLost
            If this is not the lease that is out.
        InputError
            If there is no such actuator.
        LimitExceeded
            If a duty is outside the limits of the bench.
        SafetyStop
            If the bench is in its safe state, or goes there as the duty cannot be set.
        """
        with self._lock:
            self._attend()
            self._leases.check(lease)
            self._check_not_safe()
            for name, duty in duty_percent.items():
                self._check_duty(name, duty)
            failure = failure_of(partial(self._hardware.write_duty, dict(duty_percent)))
            if failure is not None:
                self._protect(f"the duty of {', '.join(duty_percent)} cannot be set ({failure})")
            else:
                self._held.expect(duty_percent)
                logger.info(
                    "Bench %s: %r sets duties in percent %s",
                    self.description.bench,
                    self._leases.holder,
                    dict(duty_percent),
                )
            self._attend()
            self._check_not_safe()
            return self._state()

    def release(self, lease: str) -> None:
        """End a lease; the bench goes back to its own control, or stays safe where it is safe.

        Parameters
        ----------
        lease : str
            The secret.

        Raises
        ------
        LeaseLost
            If this is not the lease that is out.
        """
        with self._lock:
            self._attend()
            self._leases.check(lease)
            self._end_lease("is given back")

    def close(self) -> None:
        """End the lease and give up the hardware; harmless when done twice.

        Raises
        ------
        HardwareFault
            If the hardware cannot be handed back; then it was told to run at full speed.
        """
        with self._lock:
            if self._closed:
                return
            self._end_lease("ends as the bench closes")
            self._closed = True
            failure = failure_of(self._hardware.close)
            if failure is not None:
                self._protect(f"the bench closes and cannot be handed back ({failure})")
                raise HardwareFault(
                    f"The bench {self.description.bench} cannot be handed back ({failure}); "
                    "it was told to run at full speed."
                )

    def _attend(self) -> None:
        """Let a lease lapse whose time is over, read the hardware and act on what is found."""
        if self._closed:
            return
        if self._leases.lapsed:
            self._end_lease("lapsed")
        trouble = self._watch.look()
        if trouble is None and self._control == "leased":
            trouble = self._held.observe(self._watch.reading.duty_percent, self._clock())
        if self._control == "safe":
            self._recover(trouble)
        elif trouble is not None:
            self._protect(trouble)
            self._watch.look()
        self._when_looked(self._control)

    def _protect(self, why: str) -> None:
        """Go to the safe state at once, and keep the reason."""
        self._why = why
        self._well_since_s = None
        self._full_speed_fails = False
        self._change("safe", why)
        self._full_speed()

    def _full_speed(self) -> None:
        """Set everything to full speed, each by itself where that cannot be done at once."""
        full = {
            name: actuator.max_duty_percent for name, actuator in self.description.actuators.items()
        }
        failure = failure_of(partial(self._hardware.write_duty, full))
        if failure is not None:
            if not self._full_speed_fails:
                logger.critical(
                    "Bench %s: full speed cannot be set (%s)", self.description.bench, failure
                )
            for name, duty in full.items():
                failure_of(partial(self._hardware.write_duty, {name: duty}))
        self._full_speed_fails = failure is not None

    def _recover(self, trouble: str | None) -> None:
        """Keep everything at full speed, and leave the safe state once all was well for a while."""
        now_s = self._clock()
        self._full_speed()
        if trouble is not None or self._full_speed_fails or not self._watch.cool():
            self._well_since_s = None
        elif self._well_since_s is None:
            self._well_since_s = now_s
        elif now_s - self._well_since_s >= RECOVERY_S:
            self._leases.end()
            self._hand_back("all is well again")

    def _end_lease(self, how: str) -> None:
        """Forget the lease and hand back what it may have changed."""
        if self._control == "leased":
            self._hand_back(f"the lease {how}")
        self._leases.end()

    def _hand_back(self, why: str) -> None:
        """Go back to the bench's own control, or to the safe state where that fails."""
        failure = failure_of(self._hardware.hand_back)
        if failure is None:
            self._why = None
            self._change("own", why)
        else:
            self._protect(f"the fans cannot be handed back ({failure})")

    def _change(self, control: Control, why: str) -> None:
        """Enter a state and log it, with who holds the lease."""
        logger.log(
            logging.WARNING if control == "safe" else logging.INFO,
            "Bench %s: %s -> %s, holder %r: %s",
            self.description.bench,
            self._control,
            control,
            self._leases.holder,
            why,
        )
        self._control = control
        if control != "leased":
            self._held.forget()

    def _state(self) -> BenchState:
        """Return the last reading as the API gives it."""
        reading = self._watch.reading
        return BenchState(
            control=self._control,
            why=self._why,
            actuators={
                name: ActuatorState(reading.duty_percent[name], reading.rpm[name])
                for name in self.description.actuators
            },
            temperatures_c={
                name: celsius
                for name, celsius in reading.temperatures_c.items()
                if celsius is not None
            },
        )

    def _check_duty(self, name: str, duty_percent: float) -> None:
        """Raise if an actuator is unknown or its limits forbid the duty."""
        actuator = self.description.actuators.get(name)
        if actuator is None:
            raise InputError(
                f"The bench has no actuator {name!r}; "
                f"it has {', '.join(self.description.actuators) or 'none'}."
            )
        if not actuator.min_duty_percent <= duty_percent <= actuator.max_duty_percent:
            raise LimitExceeded(
                f"The duty of {name} must be from {actuator.min_duty_percent:g} to "
                f"{actuator.max_duty_percent:g} %, not {duty_percent:g} %; nothing was changed."
            )

    def _check_not_safe(self) -> None:
        """Raise if nobody may set speeds."""
        if self._closed:
            raise SafetyStop("The bench is closing; start it again to use it.")
        if self._control == "safe":
            raise SafetyStop(f"The bench protects itself at full speed: {self._why}.")
