"""Slow random movement: first-order autoregression, stepped with the plant."""

from math import exp, log, sqrt

import numpy as np

__all__ = ["Wander", "energy_bias_db"]


def energy_bias_db(deviation_db: float) -> float:
    """Return by how much normal scatter of `deviation_db` dB raises the energy mean, in dB."""
    return log(10.0) / 20.0 * deviation_db**2


class Wander:
    """A value that scatters about zero and forgets itself with a time constant.

    Exact at any step: the standard deviation and the correlation over a time do not depend on
    how finely the plant is stepped.
    """

    def __init__(
        self,
        deviation: float,
        time_constant_s: float,
        step_s: float,
        generator: np.random.Generator,
        *,
        from_zero: bool = False,
    ) -> None:
        self._keep = exp(-step_s / time_constant_s)
        self._push = deviation * sqrt(1.0 - self._keep**2)
        self._generator = generator
        self.value = 0.0 if from_zero else deviation * float(generator.standard_normal())

    def step(self) -> float:
        """Move on by one step and return the new value."""
        self.value = self._keep * self.value + self._push * float(self._generator.standard_normal())
        return self.value
