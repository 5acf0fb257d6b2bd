"""The pictures of a report, each with the table of what it shows."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from acoustic.band_frequencies import audible_bands
from acoustic.decibels import energy_sum_db
from acoustic.spectral_difference import band_levels
from service.jobs.orders_document import map_csv, orders_csv
from service.jobs.reviewed_sound import ReviewedSound
from service.reports.bands_picture import ThirdOctaves, draw_third_octaves
from service.reports.drawing import PictureForm
from service.reports.page import Figure
from service.reports.sound_picture import draw_sound
from service.reports.spectrum_picture import DrawnSpectrum, draw_spectra
from service.storage.document_files import save_text
from service.storage.names import file_stem
from service.storage.spectrum_tables import BandColumn, band_table, line_table
from service.storage.waterfall_table import save_waterfall
from service.wiring.order_naming import SweptSound, orders_picture
from service.wiring.reviewing import ComparedSounds, band_csv, spectrum_picture
from service.wiring.tone_naming import NamedSounds, tones_csv

__all__ = [
    "Drawing",
    "Reported",
    "bands_drawing",
    "orders_drawing",
    "side_drawings",
    "spectrum_drawing",
    "time_drawing",
]


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """One picture of a report."""

    name: str
    """Name of its files."""
    caption: str
    """What it shows."""
    draw: Callable[[PictureForm], bytes]
    """Makes it."""
    save_data: Callable[[Path], None]
    """Writes what it shows as CSV."""

    def figure(self) -> Figure:
        """Put it into a page."""
        return Figure(self.draw("svg"), self.caption)


@dataclass(frozen=True, slots=True, eq=False)
class Reported:
    """One recording of a report."""

    label: str
    """What it is called."""
    named: NamedSounds
    """Its passages with their tones."""
    whole: ReviewedSound
    """All of it."""
    swept: SweptSound | None
    """Its orders; None where no speed is swept in it."""

    def passage_label(self, place: int) -> str:
        """Name one of its passages."""
        if len(self.named.sounds) == 1:
            return self.label
        part = self.named.document.passages[place]
        speeds = ", ".join(f"{rotor.name} {rotor.rpm:.0f} rpm" for rotor in part.rotors)
        return f"{self.label} from {part.start_s:.0f} s" + (f" ({speeds})" if speeds else "")


def _unit(sound: ReviewedSound) -> str:
    """What levels are in."""
    return "dB" if sound.review.calibrated else "dB re full scale"


def spectrum_drawing(each: Reported, place: int, label: str) -> Drawing:
    """Draw the spectrum of a passage, its tones with their names."""
    sound, part = each.named.sounds[place], each.named.document.passages[place]
    names = tuple("" if tone.grade == "open" else tone.explanations[0].name for tone in part.tones)
    room = each.named.room
    calibrated = sound.review.calibrated

    def draw(form: PictureForm) -> bytes:
        return draw_spectra(
            label,
            [DrawnSpectrum(label, sound.noise, sound.tones, names)],
            form,
            calibrated=calibrated,
            room=None if room is None else DrawnSpectrum("room", room.noise, room.tones),
        )

    def save(path: Path) -> None:
        spectra = [sound.review.spectrum]
        columns = [f"LZ_{'db' if calibrated else 'dbfs'}"]
        if room is not None and room.review.rate_hz == sound.review.rate_hz:
            spectra.append(room.review.spectrum)
            columns.append(columns[0].replace("LZ_", "LZ_room_"))
        weights = np.zeros(len(spectra[0].frequency_hz))
        save_text(path, line_table(columns, spectra, weights))
        tones = path.with_name(f"{file_stem(each.label)}-tones.csv")
        save_text(tones, tones_csv(each.named))

    caption = (
        f"{label}: noise in 1 Hz as a curve, tones as stems, filled where prominent; the dashed "
        "line is the level from which a tone is."
    )
    number = "" if len(each.named.sounds) == 1 else f"-{place + 1}"
    return Drawing(f"{file_stem(each.label)}-spectrum{number}", caption, draw, save)


def _thirds(sound: ReviewedSound, label: str) -> ThirdOctaves:
    """Add one-twelfth octaves up to one-third octaves."""
    nominal_hz = audible_bands(192_000, 3).nominal_hz
    twelfths = band_levels(sound.review.spectrum).level_db.reshape(-1, 4)
    levels = [
        round(energy_sum_db(four.tolist()), 2) if np.isfinite(four).all() else None
        for four in twelfths
    ]
    return ThirdOctaves(label, nominal_hz, levels)


def bands_drawing(each: Reported) -> Drawing:
    """Draw the one-third octaves of the last passage."""
    last = len(each.named.sounds) - 1
    sound, room = each.named.sounds[last], each.named.room
    label = each.passage_label(last)
    bands = _thirds(sound, label)
    of_room = None if room is None else _thirds(room, "room")

    def draw(form: PictureForm) -> bytes:
        return draw_third_octaves([bands], form, unit=_unit(sound), room=of_room)

    def save(path: Path) -> None:
        unit = "db" if sound.review.calibrated else "dbfs"
        columns = [BandColumn(f"LZ_{unit}", bands.level_db)]
        if of_room is not None:
            columns.append(BandColumn(f"LZ_room_{unit}", of_room.level_db))
        save_text(path, band_table(bands.nominal_hz, columns))

    caption = f"{label}: one-third octaves, unweighted."
    return Drawing(f"{file_stem(each.label)}-third-octaves", caption, draw, save)


def time_drawing(each: Reported) -> Drawing:
    """Draw the sound over time."""
    review = each.whole.review

    def draw(form: PictureForm) -> bytes:
        return draw_sound(
            each.label,
            _unit(each.whole),
            review.spectrum,
            review.overview,
            form,
            start_s=review.start_s,
        )

    def save(path: Path) -> None:
        unit = "db" if review.calibrated else "dbfs"
        save_waterfall(path, review.overview, "db" if unit == "db" else "dbfs", review.start_s)

    caption = f"{each.label}: spectrum of the whole, and below it the same over time."
    return Drawing(f"{file_stem(each.label)}-over-time", caption, draw, save)


def orders_drawing(each: Reported, swept: SweptSound) -> Drawing:
    """Draw the sound over speed."""

    def save(path: Path) -> None:
        save_text(path, orders_csv(swept.document))
        save_text(path.with_name(f"{path.stem}-lines.csv"), map_csv(swept.review))

    caption = (
        f"{each.label}: sound over speed and frequency, orders as lines with their numbers, tones "
        "that stay as marks on the left, rings where an order meets something; below, levels over "
        "speed, filled where an order is prominent."
    )
    return Drawing(
        f"{file_stem(each.label)}-orders",
        caption,
        lambda form: orders_picture(swept, form),
        save,
    )


def side_drawings(compared: ComparedSounds, labels: Sequence[str]) -> list[Drawing]:
    """Draw recordings over one another."""
    bands = [_thirds(sound, label) for sound, label in zip(compared.sounds, labels, strict=True)]
    of_room = None if compared.room is None else _thirds(compared.room, "room")
    unit = _unit(compared.sounds[0])
    name = "side-by-side"

    def save_thirds(path: Path) -> None:
        ending = "db" if unit == "dB" else "dbfs"
        columns = [BandColumn(f"LZ_{k}_{ending}", each.level_db) for k, each in enumerate(bands, 1)]
        save_text(path, band_table(bands[0].nominal_hz, columns))

    return [
        Drawing(
            name,
            "Spectra over one another, and what each further one differs by from the first, with "
            "its 95 % interval.",
            lambda form: spectrum_picture(compared, form, labels=labels),
            lambda path: save_text(path, band_csv(compared)),
        ),
        Drawing(
            f"{name}-third-octaves",
            "One-third octaves over one another, unweighted.",
            lambda form: draw_third_octaves(bands, form, unit=unit, room=of_room),
            save_thirds,
        ),
    ]
