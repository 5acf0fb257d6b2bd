"""Where tones come from: orders of what turns, mains hum, switching, or nothing that is known.

Every tone is weighed between everything that could make it: each source makes its usual tones more
often than others, and near where they should be. What is read from a tachometer is only nearly the
speed, but all orders of one rotor shift together, so that a few tones tell it better than it was
read. Where two explanations lie on one frequency, both stay, each with its probability.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np

from acoustic.errors import InputError
from acoustic.signals import Samples
from acoustic.tone_following import STAYS
from acoustic.tones import HIGHEST_TONE_HZ, LOWEST_TONE_HZ

__all__ = [
    "MAINS",
    "UNEXPLAINED",
    "Electricity",
    "Explanation",
    "Grade",
    "NamedTone",
    "Rotor",
    "ToneNames",
    "name_tones",
]

Grade = Literal["sure", "likely", "open"]
"""How sure a name is: at least 95 %, at least 70 %, or less."""

MAINS: Final = "mains"
"""Source of hum."""
UNEXPLAINED: Final = "unexplained"
"""Source of what nothing explains."""
PWM: Final = "PWM"
"""Source of what the switching of a drive makes."""

_STAYS: Final = "resonance or electrical"
"""What a tone is called that nothing explains, but that stays where it is while speeds change."""
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
_GRID_STEP: Final = 1e-4
"""Relative step in which speeds are tried."""
_ROUNDS: Final = 3
"""How often the speeds of several rotors are found beside one another."""
_UNEXPLAINED_TONES: Final = 0.3
"""How many tones of a spectrum come from elsewhere, on average, anywhere over frequency."""
_LEAST: Final = 0.005
"""Explanations less probable than this are not listed."""
_FEWEST_PASSES: Final = 3
"""Blade-passes of even multiples alone that tell a speed read at half its size."""
_GAIN: Final = 12.0
"""How much better, as a logarithm, another speed must explain the tones before it is told."""


@dataclass(frozen=True, slots=True)
class Rotor:
    """Something that turns.

    Raises
    ------
    InputError
        If a number cannot be what it stands for.
    """

    name: str
    """What it is called, such as ``fan``."""
    rpm: float
    """Its speed in revolutions a minute."""
    kind: Literal["fan", "pump"] = "fan"
    """What it moves."""
    blades: int | None = None
    """Blades of a fan, or vanes of a pump; None where nobody said."""
    poles: int | None = None
    """Poles of its motor; None where nobody said."""
    twins: int = 0
    """How many more of the same model turn beside it without a tachometer."""
    rpm_u: float = 0.004
    """Relative standard uncertainty of its speed."""

    def __post_init__(self) -> None:
        if not 0.0 < self.rpm < 1e5:
            raise InputError(
                f"The speed of '{self.name}' must be a number of revolutions a minute above 0, "
                f"not {self.rpm:g}."
            )
        for what, number in (("blades", self.blades), ("poles", self.poles)):
            if number is not None and not 1 <= number <= 64:
                raise InputError(
                    f"'{self.name}' cannot have {number} {what}; give a number from 1 to 64."
                )

    @property
    def shaft_hz(self) -> float:
        """Revolutions a second."""
        return self.rpm / 60.0


@dataclass(frozen=True, slots=True)
class Electricity:
    """Electrical sources, which do not follow a speed."""

    mains_hz: float | None = 50.0
    """Mains frequency in hertz; None for none."""
    pwm_hz: float | None = None
    """Switching frequency of a drive in hertz; None where nobody said."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """One thing that a tone may be."""

    source: str
    """The rotor's name, ``mains``, ``PWM`` or ``unexplained``."""
    order: int | None
    """Order of the rotor, or multiple of the electrical frequency; None where unexplained."""
    name: str
    """What it is called, such as ``blade-pass x2``."""
    expected_hz: float | None
    """Where it should be, in hertz; None where unexplained."""
    probability: float
    """How probable it is, 0 to 1."""


@dataclass(frozen=True, slots=True)
class NamedTone:
    """A tone and what it may be."""

    frequency_hz: float
    """Its frequency in hertz."""
    explanations: tuple[Explanation, ...]
    """What it may be, most probable first; those below 0.5 % are left out."""

    @property
    def best(self) -> Explanation:
        """The most probable explanation."""
        return self.explanations[0]

    @property
    def grade(self) -> Grade:
        """How sure that one is."""
        p = self.best.probability
        return "sure" if p >= 0.95 else "likely" if p >= 0.7 else "open"


@dataclass(frozen=True, slots=True)
class ToneNames:
    """All tones with their names."""

    tones: tuple[NamedTone, ...]
    """The tones, in the order given."""
    rpm: Mapping[str, float]
    """Speed of each rotor as its tones tell it, by name."""
    other_rpm: Mapping[str, float]
    """For rotors whose tones would fit another speed far better, that speed."""


def name_tones(
    frequency_hz: Sequence[float],
    rotors: Sequence[Rotor],
    electricity: Electricity = Electricity(),
    *,
    moves_with: Sequence[str | None] | None = None,
) -> ToneNames:
    """Say what each tone of a sound may be.

    Parameters
    ----------
    frequency_hz : sequence of float
        Frequencies of its tones in hertz.
    rotors : sequence of Rotor
        What turned, with names of their own; none where no speed is known.
    electricity : Electricity, optional
        Mains and switching frequency.
    moves_with : sequence of str or None, optional
        For each tone what is known from other speeds: the name of the rotor that it follows,
        ``""`` for one that stays where it is, None where it is not known (`what_moves`).

    Returns
    -------
    ToneNames
        Names with probabilities, and speeds as the tones tell them.

    Raises
    ------
    InputError
        If two rotors have one name, or the sequences do not fit.

    Notes
    -----
    A tone at f is weighed between sources by the expected number of tones that each puts near f:
    how usual the tone is, times the normal density of where it lies. The speed of each rotor is
    integrated over, with its reading as the prior; of several rotors the others are held where
    they fit best. Blade-pass, vane and shaft frequencies are orders of the speed; commutation of a
    motor with p poles has multiples of p (single and two phases; for three phases of 3 p).
    """
    names = [rotor.name for rotor in rotors]
    if len(set(names)) < len(names):
        raise InputError(f"Two rotors have one name among {', '.join(names)}; name each its own.")
    if moves_with is not None and len(moves_with) != len(frequency_hz):
        raise InputError(
            f"{len(moves_with)} answers on what moves do not fit {len(frequency_hz)} tones."
        )
    f = np.asarray(frequency_hz, dtype=np.float64)
    moves = [None] * len(f) if moves_with is None else list(moves_with)
    steady = _electrical(f, electricity, rotors)
    turning = [_Turning.of(rotor, twin) for rotor in rotors for twin in range(rotor.twins + 1)]
    posteriors = _speeds(f, turning, steady, moves)
    densities = [
        *steady,
        *(
            each
            for one, posterior in zip(turning, posteriors, strict=True)
            for each in one.candidates(f, posterior)
        ),
    ]
    return ToneNames(
        tones=tuple(_named(f, place, densities, moves) for place in range(len(f))),
        rpm={
            one.rotor.name: round(one.rotor.rpm * (1.0 + float(one.grid @ posterior)), 2)
            for one, posterior in zip(turning, posteriors, strict=True)
            if not one.twin
        },
        other_rpm=_other_speeds(f, turning, posteriors, steady),
    )


class _Candidate(NamedTuple):
    """One thing that some tones may be."""

    source: str
    order: int
    name: str
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


def _electrical(f: Samples, electricity: Electricity, rotors: Sequence[Rotor]) -> list[_Candidate]:
    """What does not follow a speed."""
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
        found.append(_Candidate(source, multiple, name, hz, density))
    # Sidebands of the switching, one turn of each rotor away.
    if electricity.pwm_hz is not None:
        for rotor in rotors:
            for side in (-1, 1):
                hz = electricity.pwm_hz + side * rotor.shaft_hz
                density = 0.05 * _normal(np.log(f / hz), _spread(f, _PWM_U))
                name = f"switching {'+' if side > 0 else '-'} shaft of {rotor.name}"
                found.append(_Candidate(PWM, 1, name, hz, density))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Turning:
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
    def of(cls, rotor: Rotor, twin: int) -> "_Turning":
        """Prepare a rotor, or one of its twins."""
        u = float(np.hypot(rotor.rpm_u, _TWIN_U)) if twin else rotor.rpm_u
        steps = int(np.ceil(_REACH * u / _GRID_STEP))
        grid = _GRID_STEP * np.arange(-steps, steps + 1, dtype=np.float64)
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

    def candidates(self, f: Samples, posterior: Samples) -> list[_Candidate]:
        """What its orders may be, the speed averaged over."""
        order, density = self.nearest(f)
        shaft_hz = self.rotor.shaft_hz * (1.0 + float(self.grid @ posterior))
        found = []
        for k in np.unique(order).astype(np.int_).tolist():
            of_order = (density * (order == k) * posterior[:, None]).sum(axis=0)
            name = _usual(self.rotor, k)[1]
            found.append(_Candidate(self.source, k, name, k * shaft_hz, of_order))
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


def _times(name: str, multiple: int) -> str:
    """Name a multiple."""
    return name if multiple == 1 else f"{name} x{multiple}"


def _background(f: Samples) -> Samples:
    """Expected tones for each unit of ln f that nothing explains."""
    return np.full(len(f), _UNEXPLAINED_TONES / np.log(HIGHEST_TONE_HZ / LOWEST_TONE_HZ))


def _allowed(source: str, moves: Sequence[str | None]) -> Samples:
    """Weight of a source for each tone, by what moved with what."""
    own = source.removeprefix("another ")
    return np.array(
        [1.0 if known is None or known == own else 1e-4 for known in moves], dtype=np.float64
    )


def _speeds(
    f: Samples,
    turning: Sequence[_Turning],
    steady: Sequence[_Candidate],
    moves: Sequence[str | None],
) -> list[Samples]:
    """How probable each tried speed of each rotor is."""
    fixed = _background(f) + sum((each.density for each in steady), np.zeros(len(f)))
    own = [one.nearest(f)[1] * _allowed(one.source, moves) for one in turning]
    priors = [np.exp(one.prior) / np.exp(one.prior).sum() for one in turning]
    places = range(len(turning))
    # Rotors of nearly one speed may change places where the first takes what it likes best, so
    # each is the first once.
    tries = [_settled(fixed, own, priors, [*places[first:], *places[:first]]) for first in places]
    return max(tries, key=lambda tried: tried[0])[1] if tries else []


def _settled(
    fixed: Samples, own: Sequence[Samples], priors: Sequence[Samples], order: Sequence[int]
) -> tuple[float, list[Samples]]:
    """Find speeds one after another, each beside what the others are so far."""
    posteriors = list(priors)
    beside = [prior @ density for prior, density in zip(priors, own, strict=True)]
    for _ in range(_ROUNDS):
        for place in order:
            others = fixed + sum(beside) - beside[place]
            log = np.log(priors[place]) + np.log(others + own[place]).sum(axis=1)
            posterior = np.exp(log - log.max())
            posteriors[place] = posterior / posterior.sum()
            beside[place] = posteriors[place] @ own[place]
    best = [int(np.argmax(posterior)) for posterior in posteriors]
    together = fixed + sum(density[place] for density, place in zip(own, best, strict=True))
    prior = sum(np.log(prior[place]) for prior, place in zip(priors, best, strict=True))
    return float(np.log(together).sum() + prior), posteriors


def _named(
    f: Samples, place: int, densities: Sequence[_Candidate], moves: Sequence[str | None]
) -> NamedTone:
    """Put together what one tone may be."""
    weights = [
        each.density[place] * _allowed(_moving_source(each.source), [moves[place]])[0]
        for each in densities
    ]
    unexplained = float(_background(f)[place])
    total = sum(weights) + unexplained
    found = [
        Explanation(
            each.source,
            each.order,
            each.name,
            round(each.expected_hz, 2),
            round(float(weight / total), 4),
        )
        for each, weight in zip(densities, weights, strict=True)
        if weight >= _LEAST * total
    ]
    if unexplained >= _LEAST * total or not found:
        probability = round(unexplained / total, 4)
        name = _STAYS if moves[place] == STAYS else UNEXPLAINED
        found.append(Explanation(UNEXPLAINED, None, name, None, probability))
    found.sort(key=lambda each: -each.probability)
    return NamedTone(float(f[place]), tuple(found))


def _moving_source(source: str) -> str:
    """What a tone of a source moves with: nothing, for electrical ones."""
    return STAYS if source in {MAINS, PWM} else source


def _other_speeds(
    f: Samples,
    turning: Sequence[_Turning],
    posteriors: Sequence[Samples],
    steady: Sequence[_Candidate],
) -> dict[str, float]:
    """Find rotors whose tones would fit another speed far better."""
    fixed = _background(f) + sum((each.density for each in steady), np.zeros(len(f)))
    rows = [
        one.nearest(f)[1][int(np.argmax(posterior))]
        for one, posterior in zip(turning, posteriors, strict=True)
    ]
    found = {}
    for place, one in enumerate(turning):
        if one.twin or one.rotor.blades is None:
            continue
        others = fixed + sum(
            (row for other, row in enumerate(rows) if other != place), np.zeros(len(f))
        )
        now = float(np.log(others + rows[place]).sum())
        wide = _Turning(
            one.rotor,
            0,
            np.expm1(np.arange(np.log(0.2), np.log(5.0), 2.0 * _GRID_STEP, dtype=np.float64)),
            np.zeros(1),
            np.where(one.usual >= 0.1, one.usual, 0.0),
        )
        log = np.log(others + wide.nearest(f)[1]).sum(axis=1)
        best = int(np.argmax(log))
        if log[best] - now > _GAIN:
            found[one.rotor.name] = round(one.rotor.rpm * (1.0 + float(wide.grid[best])), 1)
        elif _only_even(f, one, int(np.argmax(posteriors[place]))):
            found[one.rotor.name] = round(2.0 * one.rotor.rpm, 1)
    return found


def _only_even(f: Samples, one: _Turning, speed: int) -> bool:
    """Whether three blade-passes and more are all even, as where a pulse a turn is not counted."""
    order, density = one.nearest(f)
    own = order[speed][density[speed] > _background(f)]
    passes = own[own % one.rotor.blades == 0] / one.rotor.blades
    return len(passes) >= _FEWEST_PASSES and bool((passes % 2 == 0).all())
