"""Where tones come from: orders of what turns, mains hum, switching, or nothing that is known.

Every tone is weighed between everything that could make it: each source makes its usual tones more
often than others, and near where they should be. What is read from a tachometer is only nearly the
speed, but all orders of one rotor shift together, so that a few tones tell it better than it was
read. Where two explanations lie on one frequency, both stay, each with its probability.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from acoustic.errors import InputError
from acoustic.rotors import USUAL_ELECTRICITY, Electricity, Rotor
from acoustic.signals import Samples
from acoustic.tone_candidates import (
    GRID_STEP,
    MAINS,
    PWM,
    Candidate,
    TurningRotor,
    electrical_candidates,
    unexplained_density,
)
from acoustic.tone_following import STAYS

__all__ = ["UNEXPLAINED", "Explanation", "Grade", "NamedTone", "ToneNames", "name_tones"]

Grade = Literal["sure", "likely", "open"]
"""How sure a name is: at least 95 %, at least 70 %, or less."""
UNEXPLAINED: Final = "unexplained"
"""Source of what nothing explains."""
_STAYS: Final = "resonance or electrical"
"""What a tone is called that nothing explains, but that stays where it is while speeds change."""
_ROUNDS: Final = 3
"""How often the speeds of several rotors are found beside one another."""
_LEAST: Final = 0.005
"""Explanations less probable than this are not listed."""
_FEWEST_PASSES: Final = 3
"""Blade-passes of even multiples alone that tell a speed read at half its size."""
_GAIN: Final = 12.0
"""How much better, as a logarithm, another speed must explain the tones before it is told."""


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
    electricity: Electricity = USUAL_ELECTRICITY,
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
    steady = electrical_candidates(f, electricity, rotors)
    turning = [TurningRotor.of(rotor, twin) for rotor in rotors for twin in range(rotor.twins + 1)]
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


def _allowed(source: str, moves: Sequence[str | None]) -> Samples:
    """Weight of a source for each tone, by what moved with what."""
    own = source.removeprefix("another ")
    return np.array(
        [1.0 if known is None or known == own else 1e-4 for known in moves], dtype=np.float64
    )


def _speeds(
    f: Samples,
    turning: Sequence[TurningRotor],
    steady: Sequence[Candidate],
    moves: Sequence[str | None],
) -> list[Samples]:
    """How probable each tried speed of each rotor is."""
    fixed = unexplained_density(f) + sum((each.density for each in steady), np.zeros(len(f)))
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
    f: Samples, place: int, densities: Sequence[Candidate], moves: Sequence[str | None]
) -> NamedTone:
    """Put together what one tone may be."""
    weights = [
        each.density[place] * _allowed(_moving_source(each.source), [moves[place]])[0]
        for each in densities
    ]
    unexplained = float(unexplained_density(f)[place])
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
        probability = round(float(unexplained / total), 4)
        name = _STAYS if moves[place] == STAYS else UNEXPLAINED
        found.append(Explanation(UNEXPLAINED, None, name, None, probability))
    found.sort(key=lambda each: -each.probability)
    return NamedTone(float(f[place]), tuple(found))


def _moving_source(source: str) -> str:
    """What a tone of a source moves with: nothing, for electrical ones."""
    return STAYS if source in {MAINS, PWM} else source


def _other_speeds(
    f: Samples,
    turning: Sequence[TurningRotor],
    posteriors: Sequence[Samples],
    steady: Sequence[Candidate],
) -> dict[str, float]:
    """Find rotors whose tones would fit another speed far better."""
    fixed = unexplained_density(f) + sum((each.density for each in steady), np.zeros(len(f)))
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
        wide = TurningRotor(
            one.rotor,
            0,
            np.expm1(np.arange(np.log(0.2), np.log(5.0), 2.0 * GRID_STEP, dtype=np.float64)),
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


def _only_even(f: Samples, one: TurningRotor, speed: int) -> bool:
    """Whether three blade-passes and more are all even, as where a pulse a turn is not counted."""
    order, density = one.nearest(f)
    own = order[speed][density[speed] > unexplained_density(f)]
    passes = own[own % one.rotor.blades == 0] / one.rotor.blades
    return len(passes) >= _FEWEST_PASSES and bool((passes % 2 == 0).all())
