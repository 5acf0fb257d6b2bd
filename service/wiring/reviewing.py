"""Looking at recordings: the files, and what is drawn and written about their spectra."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from acoustic.frequency_weighting import a_weighting_db
from acoustic.spectrum import Spectrum
from service.documents.spectra import SpectrumDocument
from service.errors import SettingsError
from service.jobs.analysis import AnalysisRequest, prepare
from service.jobs.recording_review import review_recording
from service.jobs.reviewed_sound import ReviewedSound, reviewed_sound
from service.jobs.spectrum_document import spectrum_document
from service.reports.drawing import PictureForm
from service.reports.spectrum_picture import (
    DifferenceCurve,
    DrawnSpectrum,
    FrequencyAxis,
    Weighting,
    draw_spectra,
)
from service.storage.document_files import save_bytes
from service.storage.spectrum_tables import BandColumn, band_table, line_table
from service.wiring.analysis import opened_recording, picture_form, with_what_was_kept
from service.wiring.kernels import keep_freed_memory

__all__ = [
    "ComparedSounds",
    "SpectrumFiles",
    "band_csv",
    "compare_recordings",
    "labels_of",
    "line_csv",
    "review_file",
    "spectrum_picture",
]


@dataclass(frozen=True, slots=True, eq=False)
class ComparedSounds:
    """Recordings beside one another."""

    sounds: tuple[ReviewedSound, ...]
    """The recordings, in the order given."""
    room: ReviewedSound | None
    """The room with everything at rest; None where it was not given."""
    document: SpectrumDocument
    """What is to be said about them."""


def review_file(
    path: Path,
    request: AnalysisRequest,
    *,
    progress: Callable[[float], None] = lambda _: None,
) -> ReviewedSound:
    """Look at a recording.

    Parameters
    ----------
    path : Path
        The recording.
    request : AnalysisRequest
        Calibration and part.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    ReviewedSound
        What it looks like, with its tones and what was noted beside it.

    Raises
    ------
    EvenhushError
        If it cannot be used.
    """
    keep_freed_memory()
    with opened_recording(path) as recording:
        asked = with_what_was_kept(path, recording, request)
        review = review_recording(prepare(recording, asked), progress=progress)
    return reviewed_sound(review, asked.kept)


def compare_recordings(
    paths: Sequence[Path],
    request: AnalysisRequest,
    *,
    room: Path | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> ComparedSounds:
    """Look at recordings and compare each further one with the first.

    Parameters
    ----------
    paths : sequence of Path
        The recordings, at least one.
    request : AnalysisRequest
        Calibration and part of each.
    room : Path, optional
        A recording of the room with everything at rest, of which all is used.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    ComparedSounds
        The recordings and the document.

    Raises
    ------
    EvenhushError
        If one cannot be used.
    """
    count = len(paths) + (room is not None)
    done = 0

    def note(share: float) -> None:
        progress((done + share) / count)

    sounds = []
    for path in paths:
        sounds.append(review_file(path, request, progress=note))
        done += 1
    of_room = None
    if room is not None:
        of_room = review_file(room, request.whole(), progress=note)
    return ComparedSounds(tuple(sounds), of_room, spectrum_document(sounds, of_room))


@dataclass(frozen=True, slots=True)
class SpectrumFiles:
    """What is written about spectra; None for what is not wanted."""

    picture: Path | None = None
    """Where the picture goes, as PNG or SVG by the ending."""
    lines_csv: Path | None = None
    """Where every line goes."""
    bands_csv: Path | None = None
    """Where the one-twelfth octaves go."""
    weighting: Weighting = "Z"
    """Weighting of levels in picture and lines."""
    axis: FrequencyAxis = "log"
    """Spacing of frequencies in the picture."""

    def check(self) -> None:
        """Find out beforehand whether the picture can have its name.

        Raises
        ------
        SettingsError
            If its ending is no form of pictures.
        """
        if self.picture is not None:
            picture_form(self.picture)

    def write(self, compared: ComparedSounds) -> list[Path]:
        """Make everything, and then write it.

        Parameters
        ----------
        compared : ComparedSounds
            The recordings.

        Returns
        -------
        list of Path
            What was written.

        Raises
        ------
        EvenhushError
            If a table cannot be made or a file not be written.
        """
        made: dict[Path, bytes] = {}
        if self.picture is not None:
            made[self.picture] = spectrum_picture(
                compared, picture_form(self.picture), weighting=self.weighting, axis=self.axis
            )
        if self.lines_csv is not None:
            made[self.lines_csv] = line_csv(compared, self.weighting).encode()
        if self.bands_csv is not None:
            made[self.bands_csv] = band_csv(compared).encode()
        for path, data in made.items():
            save_bytes(path, data)
        return list(made)


def spectrum_picture(
    compared: ComparedSounds,
    form: PictureForm,
    *,
    weighting: Weighting = "Z",
    axis: FrequencyAxis = "log",
    labels: Sequence[str] | None = None,
) -> bytes:
    """Draw spectra over one another.

    Parameters
    ----------
    compared : ComparedSounds
        The recordings.
    form : {"png", "svg"}
        File format.
    weighting : {"Z", "A"}, optional
        Weighting of levels.
    axis : {"log", "linear"}, optional
        Spacing of frequencies.
    labels : sequence of str, optional
        What the recordings are called; by default after their files.

    Returns
    -------
    bytes
        The picture.
    """
    sounds = compared.sounds
    names = labels_of(sounds) if labels is None else list(labels)
    return draw_spectra(
        names[0] if len(sounds) == 1 else "spectra",
        [
            DrawnSpectrum(name, sound.noise, sound.tones)
            for name, sound in zip(names, sounds, strict=True)
        ],
        form,
        calibrated=sounds[0].review.calibrated,
        room=None
        if compared.room is None
        else DrawnSpectrum("room", compared.room.noise, compared.room.tones),
        differences=[
            DifferenceCurve(name, each.frequency_hz, each.difference_db, each.band_U95_db)
            for name, each in zip(names[1:], compared.document.differences, strict=True)
        ],
        weighting=weighting,
        axis=axis,
    )


def labels_of(sounds: Sequence[ReviewedSound]) -> list[str]:
    """Name recordings in a picture: by the file, or where it is one file by the part."""
    names = [Path(sound.review.file).stem for sound in sounds]
    return [
        f"{name} from {sound.review.start_s:g} s" if names.count(name) > 1 else name
        for name, sound in zip(names, sounds, strict=True)
    ]


def line_csv(compared: ComparedSounds, weighting: Weighting) -> str:
    """Write every line of all spectra as a table.

    Parameters
    ----------
    compared : ComparedSounds
        The recordings.
    weighting : {"Z", "A"}
        Weighting of levels.

    Returns
    -------
    str
        CSV.

    Raises
    ------
    SettingsError
        If they have different sampling rates, and so different lines.
    """
    everything = [*compared.sounds, *([] if compared.room is None else [compared.room])]
    spectra = [each.review.spectrum for each in everything]
    if len({_lines(each) for each in spectra}) > 1:
        raise SettingsError(
            "The recordings have different sampling rates, so their spectra have different lines "
            "and do not fit into one table; write a table for each."
        )
    names = _column_names(compared, weighting)
    frequency_hz = spectra[0].frequency_hz
    weights = a_weighting_db(frequency_hz) if weighting == "A" else np.zeros(len(frequency_hz))
    return line_table(names, spectra, weights)


def _lines(spectrum: Spectrum) -> tuple[int, float]:
    """What two spectra with the same lines have in common."""
    return len(spectrum.density_pa2_per_hz), round(spectrum.spacing_hz, 9)


def _column_names(compared: ComparedSounds, weighting: Weighting) -> list[str]:
    """Name a column for each recording: numbered where there are several."""
    unit = "db" if compared.sounds[0].review.calibrated else "dbfs"
    count = len(compared.sounds)
    numbers = [""] if count == 1 else [f"{number}_" for number in range(1, count + 1)]
    names = [f"L{weighting}_{number}{unit}" for number in numbers]
    return names if compared.room is None else [*names, f"L{weighting}_room_{unit}"]


def band_csv(compared: ComparedSounds) -> str:
    """Write the one-twelfth octaves of all recordings and their differences as a table.

    Parameters
    ----------
    compared : ComparedSounds
        The recordings.

    Returns
    -------
    str
        CSV.
    """
    parts = compared.document.recordings
    names = _column_names(compared, "Z")
    columns = []
    for name, part in zip(names, parts, strict=False):
        columns.append(BandColumn(name, part.bands.level_db or part.bands.level_dbfs or []))
        alone = part.bands.alone_db or part.bands.alone_dbfs
        if alone is not None:
            columns.append(BandColumn(name.replace("LZ_", "LZ_alone_"), alone))
    for number, each in enumerate(compared.document.differences, start=2):
        columns.append(BandColumn(f"difference_{number}_less_1_db", each.difference_db))
        columns.append(BandColumn(f"U95_{number}_less_1_db", each.band_U95_db))
    return band_table(parts[0].bands.frequency_hz, columns)
