"""What a tone may be: every order and multiple, with how many tones each puts near a frequency."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from acoustic.rotors import Electricity, Rotor
from acoustic.signals import Samples
from acoustic.tones import HIGHEST_TONE_HZ, LOWEST_TONE_HZ

__all__ = [
    "GRID_STEP",
    "MAINS",
    "PWM",
    "Candidate",
    "TurningRotor",
    "electrical_candidates",
    "order_name",
    "unexplained_density",
]

MAINS: Final = "mains"
"""Source of hum."""
PWM: Final = "PWM"
"""Source of what the switching of a drive makes."""
GRID_STEP: Final = 1e-4
"""Relative step in which speeds are tried."""

_HIGHEST_ORDER: Final = 96
_HIGHEST_MULTIPLE: Final = 12
"""Highest multiple of mains and switching frequencies."""
_TONE_U: Final = 2e-4
"""Relative standard uncertainty of the frequency of a tone that hunts."""
_TONE_U_HZ: Final = 0.04
"""The same of any tone, in hertz."""
_MAINS_U: Final = 3e-4
"""Relative standard uncertainty of the mains frequency."""
_PWM_U: Final = 0.01
"""Relative standard uncertainty of a switching frequency, which few clocks keep."""
_TWIN_U: Final = 0.015
"""Relative standard uncertainty of the speed of a second fan of the same model."""
_REACH: Final = 4.0
"""How many standard uncertainties a speed may be off."""
_UNEXPLAINED_TONES: Final = 0.3
"""How many tones of a spectrum come from elsewhere, on average, anywhere over frequency."""


class Candidate(NamedTuple):
    """One thing that some tones may be."""

    source: str
    """What makes it."""
    order: int
    """Which order or multiple it is."""
    name: str
    """What it is called."""
    expected_hz: float
    """Where it should be, in hertz."""
    density: Samples
    """Expected tones for each unit of ln f near each tone."""


def _spread(f: Samples, relative_u: Samples | float) -> Samples:
    """Standard uncertainty of ln f between a tone and where it should be."""
    spread: Samples = np.sqrt(_TONE_U**2 + (_TONE_U_HZ / f) ** 2 + np.square(relative_u))
    return spread


def _normal(away: Samples, spread: Samples) -> Samples:
    """Normal density."""
    density: Samples = np.exp(-0.5 * np.square(away / spread)) / (np.sqrt(2.0 * np.pi) * spread)
    return density


def electrical_candidates(
    f: Samples, electricity: Electricity, rotors: Sequence[Rotor]
) -> list[Candidate]:
    """List what does not follow a speed.

    Parameters
    ----------
    f : ndarray of shape (tones,)
        Frequencies of the tones in hertz.
    electricity : Electricity
        Mains and switching frequency.
    rotors : sequence of Rotor
        What turns beside it, for sidebands of the switching.

    Returns
    -------
    list of Candidate
        Multiples and sidebands.
    """
    found = []
    lines: list[tuple[str, int, str, float, float, float]] = []
    if electricity.mains_hz is not None:
        for multiple in range(1, _HIGHEST_MULTIPLE + 1):
            usual = 0.4 * 0.85 ** (multiple / 2) * (1.0 if multiple % 2 == 0 else 0.3)
            name = "mains hum" if multiple == 1 else f"mains hum x{multiple}"
            hz = multiple * electricity.mains_hz
            lines.append((MAINS, multiple, name, hz, usual, _MAINS_U))
    if electricity.pwm_hz is not None:
        for multiple in range(1, _HIGHEST_MULTIPLE + 1):
            name = "switching" if multiple == 1 else f"switching x{multiple}"
            hz = multiple * electricity.pwm_hz
            lines.append((PWM, multiple, name, hz, 0.4 * 0.8**multiple, _PWM_U))
    for source, multiple, name, hz, usual, u in lines:
        density = usual * _normal(np.log(f / hz), _spread(f, u))
        found.append(Candidate(source, multiple, name, hz, density))
    # Sidebands of the switching, one turn of each rotor away.
    if electricity.pwm_hz is not None:
        for rotor in rotors:
            for side in (-1, 1):
                hz = electricity.pwm_hz + side * rotor.shaft_hz
                density = 0.05 * _normal(np.log(f / hz), _spread(f, _PWM_U))
                name = f"switching {'+' if side > 0 else '-'} shaft of {rotor.name}"
                found.append(Candidate(PWM, 1, name, hz, density))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class TurningRotor:
    """A rotor or its twin, with the speeds that it may have."""

    rotor: Rotor
    twin: int
    grid: Samples
    """Relative deviations of its speed that are tried, shape ``(speeds,)``."""
    prior: Samples
    """Logarithm of how probable each is, same shape."""
    usual: Samples
    """How usual each order is, shape ``(orders + 1,)``."""

    @classmethod
    def of(cls, rotor: Rotor, twin: int) -> "TurningRotor":
        """Prepare a rotor, or one of its twins."""
        u = float(np.hypot(rotor.rpm_u, _TWIN_U)) if twin else rotor.rpm_u
        steps = int(np.ceil(_REACH * u / GRID_STEP))
        grid = GRID_STEP * np.arange(-steps, steps + 1, dtype=np.float64)
        usual = np.array([0.0, *(_usual(rotor, k)[0] for k in range(1, _HIGHEST_ORDER + 1))])
        # Of a fan without a tachometer only what any fan has is looked for.
        rare = np.where(usual >= 0.1, usual, 0.0)
        return cls(rotor, twin, grid, -0.5 * np.square(grid / u), 0.7 * rare if twin else usual)

    @property
    def source(self) -> str:
        """What it is called."""
        return f"another {self.rotor.name}" if self.twin else self.rotor.name

    def nearest(self, f: Samples) -> tuple[Samples, Samples]:
        """Order nearest to each tone at each speed, and the density of it; (speeds, tones)."""
        shaft_hz = self.rotor.shaft_hz * (1.0 + self.grid[:, None])
        order = np.clip(np.rint(f / shaft_hz), 1, _HIGHEST_ORDER)
        away = np.log(f / (order * shaft_hz))
        density = self.usual[order.astype(np.int_)] * _normal(away, _spread(f, 0.0))
        return order, density

    def candidates(self, f: Samples, posterior: Samples) -> list[Candidate]:
        """What its orders may be, the speed averaged over."""
        order, density = self.nearest(f)
        shaft_hz = self.rotor.shaft_hz * (1.0 + float(self.grid @ posterior))
        found = []
        for k in np.unique(order).astype(np.int_).tolist():
            of_order = (density * (order == k) * posterior[:, None]).sum(axis=0)
            name = _usual(self.rotor, k)[1]
            found.append(Candidate(self.source, k, name, k * shaft_hz, of_order))
        return found


def _usual(rotor: Rotor, order: int) -> tuple[float, str]:
    """How usual an order is, and what it is called."""
    names: list[tuple[float, str]] = []
    passing = "blade-pass" if rotor.kind == "fan" else "vane-pass"
    if rotor.blades is not None and order % rotor.blades == 0:
        multiple = order // rotor.blades
        names.append((0.9 * 0.8 ** (multiple - 1), _times(passing, multiple)))
    if rotor.poles is not None and order % rotor.poles == 0:
        multiple = order // rotor.poles
        usual = 0.3 if rotor.kind == "fan" else 0.6
        names.append((usual * 0.85 ** (multiple - 1), _times("commutation", multiple)))
    if order == 1:
        names.append((0.3, "shaft imbalance"))
    if order == 2:
        names.append((0.06, "shaft x2"))
    if not names:
        # The less is known of a rotor, the more of its orders may be anything.
        known = rotor.blades is not None or rotor.poles is not None
        usual = (0.02 if known else 0.08) * np.exp(-order / 12.0)
        return float(usual), f"{rotor.name} order {order}"
    names.sort(reverse=True)
    return min(sum(usual for usual, _ in names), 0.95), " or ".join(name for _, name in names)


def order_name(rotor: Rotor, order: int) -> str:
    """Say what an order of a rotor is called.

    Parameters
    ----------
    rotor : Rotor
        The rotor.
    order : int
        Multiple of its speed.

    Returns
    -------
    str
        Such as ``blade-pass x2``, or ``fan order 5`` where nothing is known of it.
    """
    return _usual(rotor, order)[1]


def _times(name: str, multiple: int) -> str:
    """Name a multiple."""
    return name if multiple == 1 else f"{name} x{multiple}"


def unexplained_density(f: Samples) -> Samples:
    """Return how many tones are expected from elsewhere.

    Parameters
    ----------
    f : ndarray of shape (tones,)
        Frequencies in hertz.

    Returns
    -------
    ndarray of shape (tones,)
        Expected tones for each unit of ln f.
    """
    return np.full(len(f), _UNEXPLAINED_TONES / np.log(HIGHEST_TONE_HZ / LOWEST_TONE_HZ))
