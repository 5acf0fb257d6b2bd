"""From recordings that were looked at to the document of their spectra and differences."""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from acoustic.background import LEAST_DIFFERENCE_DB, SourceLevels, TotalLevel, total_of_bands
from acoustic.budget import Budget, Component, difference
from acoustic.frequency_weighting import a_weighting_db
from acoustic.signals import Samples
from acoustic.spectral_difference import (
    BandLevels,
    band_levels,
    spectral_difference,
    twelfth_octaves_hz,
)
from acoustic.tone_pairs import pair_tones
from calibration.chain import chain_budget
from service.documents.budget import rows_of
from service.documents.reviewed import ReviewedTone
from service.documents.spectra import (
    DifferencePart,
    SpectrumBands,
    SpectrumDocument,
    SpectrumPart,
    TonePairPart,
)
from service.errors import SettingsError
from service.jobs.reviewed_sound import ReviewedSound

__all__ = ["room_tones", "spectrum_document"]

_LEAST_DIFFERENCE_DB: Final = LEAST_DIFFERENCE_DB["survey"]
"""Difference to the room below which the cooler's own level is only bounded."""
_SAME_TONE: Final = 0.003
"""How far a tone of the room may be from one of the cooler, relative to it."""


def spectrum_document(
    sounds: Sequence[ReviewedSound], room: ReviewedSound | None
) -> SpectrumDocument:
    """Put the spectra of recordings beside one another.

    Parameters
    ----------
    sounds : sequence of ReviewedSound
        The recordings, at least one; each further one is compared with the first.
    room : ReviewedSound or None
        The room with everything at rest.

    Returns
    -------
    SpectrumDocument
        The document.

    Raises
    ------
    SettingsError
        If some are calibrated and some are not.
    """
    everything = [*sounds, *([] if room is None else [room])]
    if len({each.review.calibrated for each in everything}) > 1:
        named = next(each.review.file for each in everything if not each.review.calibrated)
        raise SettingsError(
            f"{named} is not calibrated, but others are, so they cannot be compared; name its "
            "calibration with --calibration."
        )
    seen = [_seen(sound, room) for sound in sounds]
    return SpectrumDocument(
        room=None if room is None else room.part(),
        recordings=[_part(each, room) for each in seen],
        differences=[_difference(seen[0], other) for other in seen[1:]],
    )


class _Seen(NamedTuple):
    """A recording in bands."""

    sound: ReviewedSound
    """The recording."""
    as_read: BandLevels
    """Its bands."""
    alone: BandLevels | None
    """The bands without the room; None where it was not recorded."""
    total: TotalLevel | None
    """Their A-weighted sum."""

    @property
    def best(self) -> BandLevels:
        """The bands without the room where that is known."""
        return self.as_read if self.alone is None else self.alone

    @property
    def LAeq_db(self) -> float:
        """A-weighted level, without the room where that is known."""
        return self.sound.review.LAeq_db if self.total is None else self.total.level_db


def _seen(sound: ReviewedSound, room: ReviewedSound | None) -> _Seen:
    """Put a recording into bands."""
    as_read = band_levels(sound.review.spectrum)
    if room is None:
        return _Seen(sound, as_read, None, None)
    alone = band_levels(
        sound.review.spectrum, room.review.spectrum, least_difference_db=_LEAST_DIFFERENCE_DB
    )
    held = np.isfinite(alone.level_db)
    correction_db = (as_read.level_db - alone.level_db)[held]
    source = SourceLevels(alone.level_db[held], correction_db, alone.upper_bound[held])
    total = total_of_bands(source, a_weighting_db(twelfth_octaves_hz()[held]))
    return _Seen(sound, as_read, alone, total)


def _part(seen: _Seen, room: ReviewedSound | None) -> SpectrumPart:
    """Put one recording into the document's form."""
    sound, alone, total = seen.sound, seen.alone, seen.total
    calibrated = sound.review.calibrated
    as_read_db = _listed(seen.as_read.level_db)
    alone_db = (
        None if alone is None else _listed(np.where(alone.upper_bound, np.nan, alone.level_db))
    )
    alone_LAeq = None if total is None else round(total.level_db, 3)
    return SpectrumPart.model_validate(
        {
            **sound.fields(),
            "bands": SpectrumBands(
                frequency_hz=[round(hz, 3) for hz in twelfth_octaves_hz().tolist()],
                level_db=as_read_db if calibrated else None,
                level_dbfs=None if calibrated else as_read_db,
                alone_db=alone_db if calibrated else None,
                alone_dbfs=None if calibrated else alone_db,
            ),
            "tones": [
                ReviewedTone.of(tone, calibrated=calibrated, in_room=shared)
                for tone, shared in zip(sound.tones, room_tones(sound, room), strict=True)
            ],
            "alone_LAeq_db": alone_LAeq if calibrated else None,
            "alone_LAeq_dbfs": None if calibrated else alone_LAeq,
            "alone_is_bound": None if total is None else total.upper_bound,
        }
    )


def room_tones(sound: ReviewedSound, room: ReviewedSound | None) -> list[bool | None]:
    """Tell which tones the room has too.

    Parameters
    ----------
    sound : ReviewedSound
        A recording of a cooler.
    room : ReviewedSound or None
        The room with everything at rest.

    Returns
    -------
    list of bool or None
        For each tone whether the room has it so loud that it may not be the cooler's; None where
        the room was not recorded.
    """
    if room is None:
        return [None] * len(sound.tones)
    return [
        any(
            abs(other.frequency_hz / tone.frequency_hz - 1.0) < _SAME_TONE
            and other.level_db > tone.level_db - _LEAST_DIFFERENCE_DB
            for other in room.tones
        )
        for tone in sound.tones
    ]


def _difference(first: _Seen, second: _Seen) -> DifferencePart:
    """Compare a recording with the first."""
    one, two = _budget(first, second), _budget(second, first)
    left = difference(one, two)
    bands = spectral_difference(first.best, second.best, u_of_both_db=left.combined_db)
    bounds = [each.total is not None and each.total.upper_bound for each in (first, second)]
    unsteady = [each for each in (first, second) if each.sound.review.listening is None]
    warnings = _words(first, second)
    if any(bounds):
        warnings.append(
            "The room is so near that at least one of the two is only known to be at most that "
            "loud; their difference has no interval."
        )
    warnings += [
        f"{each.sound.review.file} is not one steady sound, so the difference has no interval."
        for each in unsteady
    ]
    certain = not any(bounds) and not unsteady
    return DifferencePart(
        first=first.sound.review.file,
        second=second.sound.review.file,
        LAeq_difference_db=round(second.LAeq_db - first.LAeq_db, 3),
        U95_db=round(left.U95_db, 3) if certain else None,
        budget=rows_of(left),
        frequency_hz=[round(hz, 3) for hz in twelfth_octaves_hz().tolist()],
        difference_db=_listed(bands.difference_db),
        band_U95_db=_listed(bands.U95_db),
        tones=[
            TonePairPart(
                first_hz=None if a is None else round(a.frequency_hz, 2),
                second_hz=None if b is None else round(b.frequency_hz, 2),
                level_difference_db=None
                if a is None or b is None
                else round(b.level_db - a.level_db, 2),
                first_prominent=a is not None and a.prominent,
                second_prominent=b is not None and b.prominent,
            )
            for a, b in pair_tones(first.sound.tones, second.sound.tones)
        ],
        warnings=warnings,
    )


def _budget(seen: _Seen, other: _Seen) -> Budget:
    """What makes the level of one of two recordings uncertain."""
    review = seen.sound.review
    parts: list[Component] = []
    if review.listening is not None:
        # Without the room a level moves by more than what was heard.
        lift = 1.0 if seen.total is None else 10.0 ** (0.1 * (review.LAeq_db - seen.total.level_db))
        parts += [
            Component(part.name, part.standard_uncertainty, part.distribution, max(lift, 1.0))
            for part in review.listening.components
        ]
    U95_db = seen.sound.calibration_U95_db
    shared = _same_calibration(seen.sound, other.sound)
    # A factor without a document is one and the same on both sides, so that it cancels.
    chain = chain_budget(0.0 if U95_db is None else U95_db, None)
    for part in chain.components:
        own = part.name == "calibration" and not shared
        same_microphone = part.name != "response and field" or _same_input(seen.sound, other.sound)
        correlation = 0.0 if own or not same_microphone else part.correlation
        parts.append(
            Component(
                part.name,
                part.standard_uncertainty,
                part.distribution,
                correlation=correlation,
            )
        )
    return Budget(tuple(parts))


def _same_calibration(one: ReviewedSound, two: ReviewedSound) -> bool:
    """Whether two recordings rest on one calibration."""
    times = [
        [(each.time, each.pascal_per_unit) for each in sound.review.calibrations]
        for sound in (one, two)
    ]
    return times[0] == times[1]


def _same_input(one: ReviewedSound, two: ReviewedSound) -> bool:
    """Whether two recordings came through one input, as far as that was noted."""
    named = [None if sound.kept is None else sound.kept.input for sound in (one, two)]
    return None in named or named[0] == named[1]


def _words(first: _Seen, second: _Seen) -> list[str]:
    """What limits the comparison from the start."""
    one, two = first.sound, second.sound
    texts = []
    if not one.review.calibrated:
        texts.append(
            "Neither is calibrated: their difference is one of sound only if nobody touched the "
            "gain of the input in between."
        )
    elif not _same_calibration(one, two):
        texts.append(
            "They rest on different calibrations, so the uncertainty of both stays in their "
            "difference."
        )
    if not _same_input(one, two):
        texts.append(
            "They were heard through different inputs, so the responses of both microphones stay "
            "in their difference."
        )
    return texts


def _listed(levels_db: Samples) -> list[float | None]:
    """Levels rounded for a document; None where there is none."""
    return [round(level, 2) if np.isfinite(level) else None for level in levels_db.tolist()]
