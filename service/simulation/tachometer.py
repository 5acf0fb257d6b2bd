"""A tachometer that times pulses over a window, as monitoring chips do."""

from collections import deque
from math import ceil, floor

__all__ = ["Tachometer"]

_PULSES_PER_TURN = 2
_TICK_S = 0.25e-3
"""Resolution of the timer that stamps the pulses."""


class Tachometer:
    """Counts two pulses a revolution and averages over `window_s`."""

    def __init__(self, turns: float, rpm: float, step_s: float, window_s: float = 1.0) -> None:
        self._step_s = step_s
        steps = round(window_s / step_s)
        # The rotor has been turning before anybody looked.
        past = [turns - rpm / 60.0 * step_s * back for back in range(steps, -1, -1)]
        self._turns = deque(past, maxlen=steps + 1)

    def step(self, turns: float) -> None:
        """Note the rotor's angle in revolutions at the end of a step."""
        self._turns.append(turns)

    def read_rpm(self) -> float:
        """Return whole revolutions a minute; 0 when fewer than two pulses fell in the window."""
        last = floor(self._turns[-1] * _PULSES_PER_TURN)
        first = ceil(self._turns[0] * _PULSES_PER_TURN)
        if last <= first:
            return 0.0
        elapsed_s = self._moment_s(last) - self._moment_s(first)
        return float(round(60.0 / _PULSES_PER_TURN * (last - first) / elapsed_s))

    def _moment_s(self, pulse: int) -> float:
        """Return the time of `pulse` within the window, in timer ticks but as seconds."""
        turns = pulse / _PULSES_PER_TURN
        knots = list(self._turns)
        for index in range(len(knots) - 1):
            if knots[index + 1] >= turns and knots[index + 1] > knots[index]:
                share = (turns - knots[index]) / (knots[index + 1] - knots[index])
                return round((index + share) * self._step_s / _TICK_S) * _TICK_S
        raise AssertionError("a pulse inside the window lies between two of its knots")
