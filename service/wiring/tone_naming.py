"""Tones of recordings with what makes them: the files, settings and pictures."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from service.documents.cooler import CoolerDocument
from service.documents.tones import TonesDocument
from service.errors import SettingsError
from service.jobs.analysis import AnalysisRequest
from service.jobs.kept_speeds import rpm_between, steady_settings
from service.jobs.reviewed_sound import ReviewedSound
from service.jobs.tones_document import HeardPassage, tones_document
from service.reports.drawing import PictureForm
from service.reports.spectrum_picture import DrawnSpectrum, draw_spectra
from service.storage.kept_files import read_kept_sound
from service.wiring.analysis import opened_recording
from service.wiring.reviewing import labels_of, review_file

__all__ = ["NamedSounds", "ToneRequest", "name_tones_of", "tones_csv", "tones_picture"]


@dataclass(frozen=True, slots=True)
class ToneRequest:
    """What is asked about the tones of recordings."""

    recording: AnalysisRequest
    """Calibration and part of each recording."""
    whole: bool
    """Whether each is one passage, as where a part was chosen; otherwise kept sound is cut into
    its settings."""
    rpm: Mapping[str, float]
    """Speeds that were given, by the names of the rotors; they go before those that were noted."""
    description: CoolerDocument | None
    """What is known of the cooler."""
    mains_hz: float | None = None
    """Mains frequency; None to find out."""
    room: Path | None = None
    """A recording of the room with everything at rest."""


@dataclass(frozen=True, slots=True, eq=False)
class NamedSounds:
    """Settings of a cooler with their tones."""

    sounds: tuple[ReviewedSound, ...]
    """What was heard."""
    room: ReviewedSound | None
    """The room with everything at rest; None where it was not given."""
    document: TonesDocument
    """What is to be said about it."""


def name_tones_of(
    paths: Sequence[Path],
    request: ToneRequest,
    *,
    progress: Callable[[float], None] = lambda _: None,
) -> NamedSounds:
    """Find the tones of recordings and what makes them.

    Parameters
    ----------
    paths : sequence of Path
        Recordings of one cooler.
    request : ToneRequest
        What is asked.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    NamedSounds
        The passages and the document.

    Raises
    ------
    EvenhushError
        If one cannot be used.
    """
    wanted = [(path, part) for path in paths for part in _parts(path, request)]
    done = 0

    def note(share: float) -> None:
        progress((done + share) / (len(wanted) + (request.room is not None)))

    passages = []
    for path, part in wanted:
        sound = review_file(path, part, progress=note)
        passages.append(HeardPassage(sound, _rpm(sound, request)))
        done += 1
    room = None
    if request.room is not None:
        room = review_file(request.room, request.recording.whole(), progress=note)
    document = tones_document(
        passages, description=request.description, mains_hz=request.mains_hz, room=room
    )
    return NamedSounds(tuple(each.sound for each in passages), room, document)


def _parts(path: Path, request: ToneRequest) -> list[AnalysisRequest]:
    """Cut kept sound into its settings."""
    if request.whole:
        return [request.recording]
    with opened_recording(path) as recording:
        source = recording.source
        kept = read_kept_sound(path, rate_hz=source.rate_hz, channels=source.channels)
        duration_s = source.frames / source.rate_hz
    settings = [] if kept is None else steady_settings(kept)
    return [
        replace(request.recording, start_s=each.start_s, end_s=min(each.end_s, duration_s))
        for each in settings
    ] or [request.recording]


def _rpm(sound: ReviewedSound, request: ToneRequest) -> dict[str, float]:
    """Speeds of a passage: as given, else as noted."""
    review = sound.review
    noted = {}
    if sound.kept is not None:
        noted = rpm_between(sound.kept, review.start_s, review.start_s + review.duration_s)
    return {**noted, **request.rpm}


def tones_picture(named: NamedSounds, form: PictureForm) -> bytes:
    """Draw the spectrum of one passage, its tones with their names.

    Parameters
    ----------
    named : NamedSounds
        One passage.
    form : {"png", "svg"}
        File format.

    Returns
    -------
    bytes
        The picture.

    Raises
    ------
    SettingsError
        If there are several passages.
    """
    if len(named.sounds) > 1:
        raise SettingsError(
            f"A picture shows the tones of one setting, but there are {len(named.sounds)}; choose "
            "one with --from and --to."
        )
    (sound,), (part,) = named.sounds, named.document.passages
    drawn = DrawnSpectrum(
        labels_of([sound])[0],
        sound.noise,
        sound.tones,
        tuple("" if tone.grade == "open" else tone.explanations[0].name for tone in part.tones),
    )
    room = None
    if named.room is not None:
        room = DrawnSpectrum("room", named.room.noise, named.room.tones)
    return draw_spectra(
        part.cooler or drawn.label, [drawn], form, calibrated=sound.review.calibrated, room=room
    )


def tones_csv(named: NamedSounds) -> str:
    """Write all tones as a table.

    Parameters
    ----------
    named : NamedSounds
        The passages.

    Returns
    -------
    str
        CSV with a line a tone.
    """
    calibrated = named.sounds[0].review.calibrated
    rows = [
        ",".join(
            [
                "file",
                "start_s",
                "frequency_hz",
                "level_db" if calibrated else "level_dbfs",
                "tone_to_noise_ratio_db",
                "prominence_ratio_db",
                "prominent",
                "source",
                "order",
                "name",
                "probability",
                "moves_with",
            ]
        )
    ]
    for part in named.document.passages:
        for tone in part.tones:
            best = tone.explanations[0]
            moves = {None: "", "": "stays"}.get(tone.moves_with, tone.moves_with)
            cells = [
                f'"{part.file.replace(chr(34), chr(34) * 2)}"',
                f"{part.start_s:g}",
                f"{tone.frequency_hz:.2f}",
                f"{tone.level:.2f}",
                f"{tone.tone_to_noise_ratio_db:.2f}",
                f"{tone.prominence_ratio_db:.2f}",
                "yes" if tone.prominent else "no",
                best.source,
                "" if best.order is None else str(best.order),
                best.name,
                f"{best.probability:.3f}",
                str(moves),
            ]
            rows.append(",".join(cells))
    return "\n".join(rows) + "\n"
