"""One lease over several measurements: the bench is not handed back in between."""

from collections.abc import Mapping
from types import TracebackType
from typing import Self

from calibration.bench_state import BenchDescription, BenchState
from service.ports import BenchConnection

__all__ = ["KeptLease"]


class KeptLease:
    """A bench connection whose lease outlasts what is done with it; a context manager.

    Whoever works with it takes and gives back the lease as usual. It is really taken at the first
    time, and really given back at the end of the ``with`` block, whatever ends it.

    Parameters
    ----------
    bench : BenchConnection
        The bench.
    """

    def __init__(self, bench: BenchConnection) -> None:
        self._bench = bench
        self._held = False

    def describe(self) -> BenchDescription:
        """Ask what the bench is."""
        return self._bench.describe()

    def state(self) -> BenchState:
        """Ask what the bench does now."""
        return self._bench.state()

    def acquire(self, holder: str) -> None:
        """Take the lease, unless it is held from before."""
        if not self._held:
            self._bench.acquire(holder)
            self._held = True

    def set_duty(self, duty_percent: Mapping[str, float]) -> BenchState:
        """Set duties by actuator name, all or none."""
        return self._bench.set_duty(duty_percent)

    def release(self) -> None:
        """Keep the lease for what comes next."""

    def __enter__(self) -> Self:
        """Return the connection itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give the lease back."""
        self._bench.release()
