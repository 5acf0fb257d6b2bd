"""A bench connection beside which somebody writes down what the bench is set to."""

from collections.abc import Callable, Mapping

from calibration.bench_state import BenchDescription, BenchState
from service.ports import BenchConnection

__all__ = ["NotedBench"]


class NotedBench:
    """A bench connection that passes everything through.

    Parameters
    ----------
    bench : BenchConnection
        The bench.
    note : callable
        Given each state as the bench tells it.
    """

    def __init__(self, bench: BenchConnection, note: Callable[[BenchState], None]) -> None:
        self._bench = bench
        self._note = note

    def describe(self) -> BenchDescription:
        """Ask what the bench is."""
        return self._bench.describe()

    def state(self) -> BenchState:
        """Ask what the bench does now."""
        return self._noted(self._bench.state())

    def acquire(self, holder: str) -> None:
        """Take the lease."""
        self._bench.acquire(holder)

    def set_duty(self, duty_percent: Mapping[str, float]) -> BenchState:
        """Set duties by actuator name, all or none."""
        return self._noted(self._bench.set_duty(duty_percent))

    def release(self) -> None:
        """Give the lease back."""
        self._bench.release()

    def _noted(self, state: BenchState) -> BenchState:
        self._note(state)
        return state
