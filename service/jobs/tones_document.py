"""From recordings that were looked at to the document of their tones and what makes them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.critical_bands import prominent_tone_to_noise_ratio_db
from acoustic.rotors import Electricity, Rotor
from acoustic.tone_candidates import MAINS
from acoustic.tone_following import HeardAtSpeed, what_moves
from acoustic.tone_sources import NamedTone, ToneNames, name_tones
from acoustic.tones import DiscreteTone
from service.documents.cooler import CoolerDocument
from service.documents.reviewed import ReviewedTone
from service.documents.tones import (
    ExplanationPart,
    NamedTonePart,
    RotorPart,
    TonePassage,
    TonesDocument,
)
from service.jobs.kept_speeds import speed_changes
from service.jobs.reviewed_sound import ReviewedSound
from service.jobs.spectrum_document import room_tones
from service.jobs.tone_drift import drift_words

__all__ = ["HeardPassage", "names_with_mains", "rotors_of", "tones_document"]

_USUAL_MAINS_HZ: Final = (50.0, 60.0)
_FEW_SETTINGS: Final = 3
"""So many settings tell what follows a speed and what stays."""


@dataclass(frozen=True, slots=True, eq=False)
class HeardPassage:
    """A recording or a part of it, with what turned."""

    sound: ReviewedSound
    """What was heard."""
    rpm: Mapping[str, float]
    """Speeds by the names of the rotors; empty where none is known."""


def rotors_of(rpm: Mapping[str, float], description: CoolerDocument | None) -> list[Rotor]:
    """Put what turns together with what is known of the cooler.

    Parameters
    ----------
    rpm : mapping of str to float
        Speeds by the names of the actuators; names that begin with ``pump`` are pumps.
    description : CoolerDocument or None
        What is known of the cooler.

    Returns
    -------
    list of Rotor
        The rotors. Fans that the description counts and nobody read belong to the first.
    """
    known = description or CoolerDocument(cooler="unknown")
    fans = [name for name in rpm if not name.startswith("pump")]
    unread = max((known.fans or len(fans)) - len(fans), 0)
    rotors = []
    for name, speed in rpm.items():
        if name.startswith("pump"):
            rotor = Rotor(name, speed, "pump", known.pump_vanes, known.pump_poles)
        else:
            twins = unread if name == fans[0] else 0
            rotor = Rotor(name, speed, "fan", known.blades, known.fan_poles, twins)
        rotors.append(rotor)
    return rotors


def tones_document(
    passages: Sequence[HeardPassage],
    *,
    description: CoolerDocument | None,
    mains_hz: float | None,
    room: ReviewedSound | None,
) -> TonesDocument:
    """Name the tones of a cooler at one setting or several.

    Parameters
    ----------
    passages : sequence of HeardPassage
        Settings of one cooler, at least one.
    description : CoolerDocument or None
        What is known of the cooler.
    mains_hz : float or None
        Mains frequency; None to find out which of 50 and 60 Hz fits better.
    room : ReviewedSound or None
        The room with everything at rest.

    Returns
    -------
    TonesDocument
        The document.

    Raises
    ------
    InputError
        If a speed cannot be one.
    """
    moves = what_moves(
        [
            HeardAtSpeed(passage.rpm, [tone.frequency_hz for tone in passage.sound.tones])
            for passage in passages
        ]
    )
    parts = [
        _passage(passage, moved, description, mains_hz, room)
        for passage, moved in zip(passages, moves, strict=True)
    ]
    return TonesDocument(
        description=description, passages=parts, warnings=_words(passages, description)
    )


def _passage(
    passage: HeardPassage,
    moved: Sequence[str | None],
    description: CoolerDocument | None,
    mains_hz: float | None,
    room: ReviewedSound | None,
) -> TonePassage:
    """Name the tones of one setting."""
    sound = passage.sound
    rotors = rotors_of(passage.rpm, description)
    pwm_hz = None if description is None else description.pwm_hz
    found_hz, names = names_with_mains(sound.tones, rotors, moved, mains_hz, pwm_hz)
    fields = sound.fields()
    review = sound.review
    end_s = review.start_s + review.duration_s
    fields["warnings"] += [
        *drift_words(review, sound.tones),
        *([] if sound.kept is None else speed_changes(sound.kept, review.start_s, end_s)),
        *(
            f"The tones fit {other:.0f} rpm of {name} far better than {passage.rpm[name]:.0f} rpm; "
            "check the tachometer and the number of blades."
            for name, other in names.other_rpm.items()
        ),
    ]
    shared = room_tones(sound, room)
    return TonePassage.model_validate(
        {
            **fields,
            "rotors": [
                RotorPart(
                    name=rotor.name,
                    kind=rotor.kind,
                    rpm=round(rotor.rpm, 1),
                    rpm_by_tones=round(names.rpm[rotor.name], 1),
                    other_rpm=names.other_rpm.get(rotor.name),
                )
                for rotor in rotors
            ],
            "mains_hz": found_hz,
            "tones": [
                _tone(tone, named, in_room, moves_with, calibrated=review.calibrated)
                for tone, named, in_room, moves_with in zip(
                    sound.tones, names.tones, shared, moved, strict=True
                )
            ],
        }
    )


def names_with_mains(
    tones: Sequence[DiscreteTone],
    rotors: Sequence[Rotor],
    moved: Sequence[str | None],
    mains_hz: float | None,
    pwm_hz: float | None,
) -> tuple[float | None, ToneNames]:
    """Name tones with the mains frequency that was given, or with the one that explains more.

    Parameters
    ----------
    tones : sequence of DiscreteTone
        The tones.
    rotors : sequence of Rotor
        What turned.
    moved : sequence of str or None
        What each tone moves with, as `what_moves` tells it.
    mains_hz : float or None
        Mains frequency; None to try 50 and 60 Hz.
    pwm_hz : float or None
        Switching frequency.

    Returns
    -------
    mains_hz : float or None
        The frequency that was given or explains something; None where neither does.
    names : ToneNames
        What the tones may be.
    """
    tried = []
    for hz in _USUAL_MAINS_HZ if mains_hz is None else (mains_hz,):
        names = name_tones(
            [tone.frequency_hz for tone in tones],
            rotors,
            Electricity(hz, pwm_hz),
            moves_with=moved,
        )
        hum = sum(
            each.probability
            for named in names.tones
            for each in named.explanations
            if each.source == MAINS
        )
        tried.append((hum, hz, names))
    hum, hz, names = max(tried, key=lambda each: each[0])
    return (hz if mains_hz is not None or hum > 0.5 else None), names


def _tone(
    tone: DiscreteTone,
    named: NamedTone,
    in_room: bool | None,  # noqa: FBT001 - one value of a tone among others
    moves_with: str | None,
    *,
    calibrated: bool,
) -> NamedTonePart:
    """Put one tone into the document's form."""
    from_db = prominent_tone_to_noise_ratio_db(tone.frequency_hz)
    base = ReviewedTone.of(tone, calibrated=calibrated, in_room=in_room)
    return NamedTonePart(
        **base.model_dump(),
        prominent_from_db=round(from_db, 2) if np.isfinite(from_db) else None,
        grade=named.grade,
        moves_with=moves_with,
        explanations=[
            ExplanationPart(
                source=each.source,
                order=each.order,
                name=each.name,
                expected_hz=each.expected_hz,
                probability=float(each.probability),
            )
            for each in named.explanations
        ],
    )


def _words(passages: Sequence[HeardPassage], description: CoolerDocument | None) -> list[str]:
    """What limits the names of all tones."""
    texts = []
    speeds = [passage.rpm for passage in passages]
    if not any(speeds):
        texts.append(
            "No speed is known, so tones have no orders; give --fan-rpm or --pump-rpm, or use "
            "sound that was kept at a bench with tachometers."
        )
    elif not all(speeds):
        texts.append("Not every recording has a speed; tones of those without have no orders.")
    turning = {name for each in speeds for name in each}
    fans = any(not name.startswith("pump") for name in turning)
    if fans and (description is None or description.blades is None):
        texts.append("The number of blades is not known, so no tone is called blade-pass.")
    pumps = any(name.startswith("pump") for name in turning)
    if pumps and (
        description is None or (description.pump_poles is None and description.pump_vanes is None)
    ):
        texts.append("Neither poles nor vanes of the pump are known, so its tones are only orders.")
    if 1 < len(passages) < _FEW_SETTINGS:
        texts.append(
            "Two settings hardly tell which tones follow a speed and which stay; three do."
        )
    return texts
