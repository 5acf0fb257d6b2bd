"""How often tones of made-up machines are named right, and how honest the probabilities are.

Run as ``python tests/benchmarks/tone_names.py [--machines 1000] [--seed 4409]``. Each machine has
one to three fans and often a pump, whose tachometers are off by 0.3 %, mains hum, and tones that
nothing explains. Nothing is asserted: the tests do that.
"""

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from made_machines import MadeMachine, MadeTone, made_machine

from acoustic.tone_sources import NamedTone, name_tones


def right(tone: MadeTone, named: NamedTone) -> bool:
    """Whether the first name is the truth."""
    return (named.best.source, named.best.order) == (tone.source, tone.order)


def coincides(tone: MadeTone, named: NamedTone) -> bool:
    """Whether the truth is among names that share its frequency."""
    return any(
        (each.source, each.order) == (tone.source, tone.order) for each in named.explanations
    )


def table(rng: np.random.Generator, machines: int) -> Iterable[str]:
    """Every line of the table."""
    rows: list[tuple[str, bool, bool, str, float]] = []
    speeds = []
    for _ in range(machines):
        made: MadeMachine = made_machine(rng)
        found = name_tones(
            [tone.frequency_hz for tone in made.tones], made.rotors, made.electricity
        )
        for tone, named in zip(made.tones, found.tones, strict=True):
            kind = "rotor" if tone.source not in {"mains", "unexplained"} else tone.source
            best = named.best.probability
            rows.append((kind, right(tone, named), coincides(tone, named), named.grade, best))
        speeds += [bool(found.other_rpm)]
    yield "tones of | number, named right, truth among the names"
    for kind in ("rotor", "mains", "unexplained"):
        some = [row for row in rows if row[0] == kind]
        yield (
            f"  {kind:11s} | {len(some):5d} {np.mean([row[1] for row in some]):.2%} "
            f"{np.mean([row[2] for row in some]):.2%}"
        )
    yield "grade | number, named right, mean probability"
    for grade in ("sure", "likely", "open"):
        some = [row for row in rows if row[3] == grade]
        if some:
            yield (
                f"  {grade:6s} | {len(some):5d} {np.mean([row[1] for row in some]):.2%} "
                f"{np.mean([row[4] for row in some]):.2%}"
            )
    yield f"another speed was proposed for {np.mean(speeds):.2%} of machines; none needs it"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--machines", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=4409)
    asked = parser.parse_args()
    for line in table(np.random.default_rng(asked.seed), asked.machines):
        sys.stdout.write(line + "\n")


if __name__ == "__main__":
    main()
