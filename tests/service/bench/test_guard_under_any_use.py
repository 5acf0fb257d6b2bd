import contextlib

from bench_doubles import HandClock, InventedHardware
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from acoustic.errors import EvenhushError
from service.bench.guard import BenchGuard


class AnyUse(RuleBasedStateMachine):
    """Callers, faults and time in any order."""

    @initialize()
    def start(self) -> None:
        """Start a bench."""
        self.clock = HandClock()
        self.hardware = InventedHardware()
        self.guard = BenchGuard(self.hardware, clock=self.clock)
        self.lease = ""
        self.ends_s = 0.0

    @rule(seconds=st.floats(0.5, 60))
    def grant(self, seconds: float) -> None:
        """Ask for the lease."""
        with contextlib.suppress(EvenhushError):
            self.lease = self.guard.grant("test", seconds).lease
            self.ends_s = self.clock.now_s + seconds

    @rule(seconds=st.floats(0.5, 60))
    def renew(self, seconds: float) -> None:
        """Renew it."""
        with contextlib.suppress(EvenhushError):
            self.guard.renew(self.lease, seconds)
            self.ends_s = self.clock.now_s + seconds

    @rule(fan=st.floats(-10, 130), pump=st.none() | st.floats(0, 100))
    def set_duty(self, fan: float, pump: float | None) -> None:
        """Ask for any duties."""
        with contextlib.suppress(EvenhushError):
            self.guard.set_duty(
                self.lease, {"fan": fan} if pump is None else {"fan": fan, "pump": pump}
            )

    @rule()
    def release(self) -> None:
        """Give the lease back."""
        with contextlib.suppress(EvenhushError):
            self.guard.release(self.lease)

    @rule(seconds=st.floats(0, 70))
    def wait(self, seconds: float) -> None:
        """Let time go by."""
        self.clock.now_s += seconds

    @rule(celsius=st.none() | st.floats(20, 110))
    def heat(self, celsius: float | None) -> None:
        """Change the temperature, or break its sensor."""
        self.hardware.temperatures_c["processor"] = celsius

    @rule(fault=st.sampled_from(["read", "write fan", "write pump", "hand-back"]))
    def break_or_mend(self, fault: str) -> None:
        """Break something, or mend it if it is broken."""
        self.hardware.faults ^= {fault}

    @invariant()
    def limits_hold(self) -> None:
        """Whatever was asked, no duty outside the limits reached the hardware."""
        for duties in self.hardware.written:
            for name, duty in duties.items():
                actuator = self.hardware.actuators[name]
                assert actuator.min_duty_percent <= duty <= actuator.max_duty_percent

    @invariant()
    def nobody_is_left_turned_down(self) -> None:
        """After a look, a speed below full is the bench's own or that of a lease that is out."""
        self.guard.tick()
        state = self.guard.state()
        celsius = self.hardware.temperatures_c["processor"]
        if celsius is None or celsius >= 90 or "read" in self.hardware.faults:
            assert state.control == "safe"
        if state.control == "own":
            assert self.hardware.manual == {}
        if state.control == "leased":
            assert self.clock.now_s < self.ends_s
        if state.control == "safe":
            assert state.why
            for name, actuator in self.hardware.actuators.items():
                if f"write {name}" not in self.hardware.faults:
                    assert self.hardware.manual[name] == actuator.max_duty_percent


AnyUse.TestCase.settings = settings(
    max_examples=40, stateful_step_count=30, deadline=None, derandomize=True
)
TestAnyUse = AnyUse.TestCase
