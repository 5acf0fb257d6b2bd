"""The picture of spectra: noise as a curve, tones as stems out of it, the criterion above it.

A line of a spectrum means another level for noise than for a tone. So noise is drawn by what it
has in 1 Hz and each tone by its own level, which are the quantities that the ratios are made of.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullLocator

from acoustic.background import LEAST_DIFFERENCE_DB, without_background
from acoustic.frequency_weighting import a_weighting_db
from acoustic.noise_curve import noise_curve_db
from acoustic.prominence import prominent_from_db
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum
from acoustic.tones import DiscreteTone
from service.reports.drawing import FAINT, INK, STYLE, PictureForm, written
from service.reports.series_style import SeriesStyle, series_style

__all__ = ["DifferenceCurve", "DrawnSpectrum", "FrequencyAxis", "Weighting", "draw_spectra"]

Weighting = Literal["A", "Z"]
"""Whether levels are A-weighted or not at all."""
FrequencyAxis = Literal["log", "linear"]
"""How frequencies are spaced."""

_LOWEST_HZ: Final = 20.0
_HIGHEST_HZ: Final = 20_000.0
_POINTS: Final = 360
"""Points of a curve: every second pixel of a picture, every fourteenth of a half-tone."""
_TICKS_HZ: Final = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_WIDE_INCHES: Final = 8.0
_SPECTRUM_INCHES: Final = 3.9
_DIFFERENCE_INCHES: Final = 2.1
_TONES_NAMED: Final = 7
"""Tones whose names are written: more would hide one another."""
_SHORT_LABEL: Final = 36
"""Characters of a label of which three stand side by side."""
_RANGE_DB: Final = 70.0
"""Most of the scale below its top: nothing further down matters beside it."""


@dataclass(frozen=True, slots=True, eq=False)
class DrawnSpectrum:
    """One sound in the picture."""

    label: str
    """What it is called."""
    noise: Spectrum
    """Its spectrum of one channel without tones."""
    tones: tuple[DiscreteTone, ...]
    """Its tones."""
    names: tuple[str, ...] = ()
    """What each tone is called; none where tones have no names."""


@dataclass(frozen=True, slots=True, eq=False)
class DifferenceCurve:
    """The difference of a further sound from the first, in the panel below."""

    label: str
    """What it is called."""
    frequency_hz: Sequence[float]
    """Mid-band frequencies in hertz."""
    difference_db: Sequence[float | None]
    """Differences in dB; None where it is not known."""
    U95_db: Sequence[float | None]
    """Half-widths of their 95 % intervals."""


def draw_spectra(
    title: str,
    sounds: Sequence[DrawnSpectrum],
    form: PictureForm,
    *,
    calibrated: bool,
    room: DrawnSpectrum | None = None,
    differences: Sequence[DifferenceCurve] = (),
    weighting: Weighting = "Z",
    axis: FrequencyAxis = "log",
) -> bytes:
    """Draw spectra over one another, and below them what the further ones differ by.

    Parameters
    ----------
    title : str
        What stands above.
    sounds : sequence of DrawnSpectrum
        The sounds, at least one. With a single one, the criterion of prominent tones is drawn.
    form : {"png", "svg"}
        File format.
    calibrated : bool
        Whether levels are sound pressure levels.
    room : DrawnSpectrum, optional
        The room with everything at rest.
    differences : sequence of DifferenceCurve, optional
        Differences to the first sound.
    weighting : {"Z", "A"}, optional
        Weighting of all levels; differences have none.
    axis : {"log", "linear"}, optional
        Spacing of frequencies.

    Returns
    -------
    bytes
        The picture; the same sounds give the same bytes.
    """
    with mpl.rc_context(STYLE):
        heights = [_SPECTRUM_INCHES, *([_DIFFERENCE_INCHES] if differences else [])]
        figure = Figure(figsize=(_WIDE_INCHES, sum(heights)), layout="constrained")
        panels = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights, squeeze=False)
        above = panels[0, 0]
        end_hz = min(_HIGHEST_HZ, *(float(each.noise.frequency_hz[-1]) for each in sounds))
        scale = _Scale(end_hz, weighting, axis)
        if room is not None:
            _draw_sound(above, room, SeriesStyle(FAINT, (0, (1, 2)), "|"), scale)
        for place, sound in enumerate(sounds):
            _draw_sound(above, sound, series_style(place), scale)
            if room is not None:
                _draw_alone(above, sound, room, series_style(place), scale)
        if len(sounds) == 1:
            _draw_criterion(above, sounds[0], scale, calibrated=calibrated)
        _finish_levels(above, sounds, scale, calibrated=calibrated)
        above.set_title(title, loc="left", fontsize=10.5, fontweight="bold")
        for place, difference in enumerate(differences, start=1):
            _draw_difference(panels[-1, 0], difference, series_style(place))
        if differences:
            panels[-1, 0].axhline(0.0, color=INK, linewidth=0.8)
            panels[-1, 0].set_ylabel("less the first, dB")
        _set_frequencies(panels[-1, 0], scale)
        handles, labels = above.get_legend_handles_labels()
        figure.legend(
            handles,
            labels,
            loc="outside lower center",
            ncols=3 if max(map(len, labels)) <= _SHORT_LABEL else 2,
            frameon=False,
            fontsize=8.0,
        )
        return written(figure, form)


@dataclass(frozen=True, slots=True)
class _Scale:
    """What all curves share."""

    end_hz: float
    """Highest frequency."""
    weighting: Weighting
    """Weighting of levels."""
    axis: FrequencyAxis
    """Spacing of frequencies."""

    @property
    def edges_hz(self) -> Samples:
        """Frequencies between the points of a curve."""
        spaced = np.geomspace if self.axis == "log" else np.linspace
        return np.asarray(spaced(_LOWEST_HZ, self.end_hz, _POINTS + 1), dtype=np.float64)

    @property
    def points_hz(self) -> Samples:
        """Frequencies of the points of a curve."""
        edges_hz = self.edges_hz
        points_hz: Samples = 0.5 * (edges_hz[1:] + edges_hz[:-1])
        return points_hz

    def weighted(self, frequency_hz: Samples, level_db: Samples) -> Samples:
        """Levels as they are drawn."""
        if self.weighting == "Z":
            return level_db
        drawn: Samples = level_db + a_weighting_db(frequency_hz)
        return drawn


def _draw_sound(axes: Axes, sound: DrawnSpectrum, style: SeriesStyle, scale: _Scale) -> None:
    """Draw the noise of a sound and the tones that stand out of it."""
    points_hz = scale.points_hz
    curve_db = scale.weighted(points_hz, noise_curve_db(sound.noise, scale.edges_hz))
    axes.plot(
        points_hz,
        curve_db,
        color=style.colour,
        linestyle=style.line,
        linewidth=1.1,
        label=f"{sound.label}: noise in 1 Hz",
    )
    tones = [tone for tone in sound.tones if tone.frequency_hz <= scale.end_hz]
    if not tones:
        return
    tones_hz = np.array([tone.frequency_hz for tone in tones])
    levels_db = scale.weighted(tones_hz, np.array([tone.level_db for tone in tones]))
    feet_db = np.interp(tones_hz, points_hz, np.nan_to_num(curve_db, nan=np.nanmin(curve_db)))
    axes.vlines(tones_hz, feet_db, levels_db, color=style.colour, linewidth=0.9)
    prominent = np.array([tone.prominent for tone in tones])
    for kept, face, label in (
        (prominent, style.colour, "prominent tone"),
        (~prominent, "white", "tone"),
    ):
        if kept.any():
            axes.plot(
                tones_hz[kept],
                levels_db[kept],
                linestyle="none",
                marker=style.marker,
                markersize=4.5,
                color=style.colour,
                markerfacecolor=face,
                label=f"{sound.label}: {label}",
            )


def _draw_alone(
    axes: Axes, sound: DrawnSpectrum, room: DrawnSpectrum, style: SeriesStyle, scale: _Scale
) -> None:
    """Draw the noise of a sound without the room; where it is too near there is a gap."""
    together_db, room_db = (noise_curve_db(each.noise, scale.edges_hz) for each in (sound, room))
    known = np.isfinite(together_db) & np.isfinite(room_db)
    alone = without_background(
        np.where(known, together_db, 0.0),
        np.where(known, room_db, 0.0),
        least_difference_db=LEAST_DIFFERENCE_DB["survey"],
    )
    axes.plot(
        scale.points_hz,
        scale.weighted(
            scale.points_hz, np.where(known & ~alone.upper_bound, alone.level_db, np.nan)
        ),
        color=style.colour,
        linewidth=2.6,
        alpha=0.35,
        label=f"{sound.label}: without the room",
    )


def _draw_criterion(axes: Axes, sound: DrawnSpectrum, scale: _Scale, *, calibrated: bool) -> None:
    """Draw the level from which a tone is prominent by its tone-to-noise ratio."""
    from_db = prominent_from_db(sound.noise, scale.points_hz, calibrated=calibrated)
    if np.isfinite(from_db).any():
        axes.plot(
            scale.points_hz,
            scale.weighted(scale.points_hz, from_db),
            color=INK,
            linestyle=(0, (4, 3)),
            linewidth=0.9,
            label="a tone is prominent from here",
        )


def _finish_levels(
    axes: Axes, sounds: Sequence[DrawnSpectrum], scale: _Scale, *, calibrated: bool
) -> None:
    """Name the levels, and show what is near their top."""
    weighted = "dB(A)" if scale.weighting == "A" else "dB"
    axes.set_ylabel(f"level, {weighted}{'' if calibrated else ' re full scale'}")
    bottom, top = axes.get_ylim()
    axes.set_ylim(max(bottom, top - _RANGE_DB), top)
    if len(sounds) == 1:
        _name_tones(axes, sounds[0], scale)


def _name_tones(axes: Axes, sound: DrawnSpectrum, scale: _Scale) -> None:
    """Write beside the tones that stand out most what they are."""
    names = sound.names or ("",) * len(sound.tones)
    named = [
        (tone, name)
        for tone, name in zip(sound.tones, names, strict=True)
        if tone.frequency_hz <= scale.end_hz
    ]
    named.sort(key=lambda each: -each[0].tone_to_noise_ratio_db)
    for tone, name in named[:_TONES_NAMED]:
        level_db = scale.weighted(np.array([tone.frequency_hz]), np.array([tone.level_db]))[0]
        axes.annotate(
            f"{tone.frequency_hz:.0f} Hz {name}".rstrip(),
            (tone.frequency_hz, float(level_db)),
            (4, 3),
            textcoords="offset points",
            fontsize=7.0,
        )


def _draw_difference(axes: Axes, difference: DifferenceCurve, style: SeriesStyle) -> None:
    """Draw a difference with its interval; what is not known is a gap."""
    frequency_hz = np.array(difference.frequency_hz)
    middle_db = np.array(difference.difference_db, dtype=np.float64)
    U95_db = np.array(difference.U95_db, dtype=np.float64)
    axes.fill_between(
        frequency_hz, middle_db - U95_db, middle_db + U95_db, color=style.colour, alpha=0.2, lw=0
    )
    axes.plot(frequency_hz, middle_db, color=style.colour, linestyle=style.line, linewidth=1.1)


def _set_frequencies(axes: Axes, scale: _Scale) -> None:
    """Set up the axis of frequency."""
    axes.set_xlabel("frequency, Hz")
    if scale.axis == "log":
        axes.set_xscale("log")
        axes.set_xticks([hz for hz in _TICKS_HZ if hz <= scale.end_hz])
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz:g}"))
    axes.set_xlim(_LOWEST_HZ, scale.end_hz)
