"""The picture of a sweep: its sound over speed and frequency, and its orders as levels over speed.

Both panels have one axis of speed. Order lines lie over the sound, ending where their order does
not stand out; what they meet is ringed, at its frequency above and as a range of speeds below.
"""

from collections.abc import Sequence
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullLocator

from acoustic.decibels import level_db
from acoustic.order_crossings import Crossing
from acoustic.order_tracks import OrderTrack
from acoustic.over_speed import OverSpeed
from acoustic.signals import Samples
from acoustic.tones import DiscreteTone
from acoustic.waterfall import Waterfall
from service.reports.drawing import FAINT, INK, STYLE, PictureForm, written
from service.reports.series_style import series_style

__all__ = ["draw_orders"]

_LOWEST_HZ: Final = 30.0
_HIGHEST_HZ: Final = 12_000.0
_BANDS: Final = 480
_RANGE_DB: Final = 55.0
"""Colours cover this much below the loudest line."""
_TICKS_HZ: Final = (50, 100, 200, 500, 1000, 2000, 5000, 10_000)
_INCHES: Final = (8.0, 7.4)
_MOST_ORDERS: Final = 5
"""Orders whose level is drawn: more could not be told apart."""
_MEETS: Final = "#e8b64c"


def draw_orders(
    title: str,
    heard: OverSpeed,
    form: PictureForm,
    *,
    tracks: Sequence[OrderTrack],
    stays: Sequence[DiscreteTone],
    crossings: Sequence[Crossing],
    calibrated: bool,
) -> bytes:
    """Draw a sweep.

    Parameters
    ----------
    title : str
        What stands above.
    heard : OverSpeed
        Spectra over speed.
    form : {"png", "svg"}
        File format.
    tracks : sequence of OrderTrack
        What follows the speed.
    stays : sequence of DiscreteTone
        What does not.
    crossings : sequence of Crossing
        What they meet.
    calibrated : bool
        Whether levels are sound pressure levels.

    Returns
    -------
    bytes
        The picture; the same sweep gives the same bytes.
    """
    unit = "dB" if calibrated else "dB re full scale"
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=_INCHES, layout="constrained")
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(1.7, 1.0))
        end_hz = min(_HIGHEST_HZ, float(heard.frequency_hz[-1]))
        drawn = _draw_sound(above, heard, end_hz)
        figure.colorbar(drawn, ax=above, label=f"line of {heard.spacing_hz:.3g} Hz, {unit}")
        shown = sorted(tracks, key=_loudness, reverse=True)[:_MOST_ORDERS]
        _draw_lines(above, tracks, shown, end_hz)
        for tone in stays:
            above.plot(
                heard.rpm[0], tone.frequency_hz, marker=5, color="white", markersize=7, clip_on=True
            )
        _draw_levels(below, heard, shown, "dB(A)" if calibrated else "dB(A) re full scale")
        _mark(above, below, crossings)
        above.set_title(title, loc="left", fontsize=10.5, fontweight="bold")
        _finish(above, below, heard, end_hz)
        below.set_ylabel(f"level, {unit}")
        figure.legend(
            *below.get_legend_handles_labels(),
            loc="outside lower center",
            ncols=3,
            frameon=False,
            fontsize=8.0,
        )
        return written(figure, form)


def _loudness(track: OrderTrack) -> float:
    """How far an order stands out of the noise at its best."""
    ratio = track.tone_to_noise_ratio_db
    return float(np.nanmax(ratio)) if np.isfinite(ratio).any() else -1e3


def _edges(rpm: Samples, width: float) -> Samples:
    """Speeds between ranges; a gap stays one."""
    half = np.exp(0.5 * width)
    return np.append(rpm / half, rpm[-1] * half)


def _draw_sound(axes: Axes, heard: OverSpeed, end_hz: float) -> mpl.cm.ScalarMappable:
    """Draw the loudest line of each place, one stripe a range of speed."""
    edges_hz = np.geomspace(_LOWEST_HZ, end_hz, _BANDS + 1)
    levels = level_db(np.maximum(heard.even_density, 1e-30) * 1.5 * heard.spacing_hz)
    lines = Waterfall(
        heard.spacing_hz,
        1.5 * heard.spacing_hz,
        1.0,
        heard.rpm,
        levels.astype(np.float32)[:, :, None],
    )
    bands = lines.strongest(edges_hz)[:, :, 0]
    top_db = float(bands.max())
    half = np.exp(0.5 * heard.width)
    for place, rpm in enumerate(heard.rpm.tolist()):
        image = axes.pcolormesh(
            np.array([rpm / half, rpm * half]),
            edges_hz,
            np.maximum(bands[place], top_db - _RANGE_DB)[:, None],
            cmap="magma",
            vmin=top_db - _RANGE_DB,
            vmax=top_db,
            rasterized=True,
        )
    return image


def _draw_lines(
    axes: Axes, tracks: Sequence[OrderTrack], shown: Sequence[OrderTrack], end_hz: float
) -> None:
    """Draw where orders lie, and name those whose level is shown."""
    for track in tracks:
        place = next((k for k, each in enumerate(shown) if each is track), None)
        colour = "white" if place is None else _bright(place)
        axes.plot(track.rpm, track.frequency_hz, color="white", linewidth=0.5, alpha=0.35)
        found = np.where(np.isfinite(track.level_db), track.frequency_hz, np.nan)
        axes.plot(track.rpm, found, color=colour, linewidth=0.9, alpha=0.9)
        last = float(track.frequency_hz[-1])
        if place is not None and last < end_hz:
            axes.annotate(
                str(track.order),
                (float(track.rpm[-1]), last),
                (3, 0),
                textcoords="offset points",
                va="center",
                fontsize=7.0,
                color=INK,
                annotation_clip=False,
            )


def _bright(place: int) -> str:
    """Colour of a series on the dark ground of the sound."""
    return ("#5fd6e0", "#ff8a6b", "#b9a9ff", "#ffd35c", "#dfe6ea")[place % 5]


def _draw_levels(axes: Axes, heard: OverSpeed, shown: Sequence[OrderTrack], unit: str) -> None:
    """Draw the level of all sound and of some orders over speed."""
    axes.plot(heard.rpm, heard.LAeq_db, color=FAINT, linewidth=2.2, label=f"all sound, {unit}")
    for place, track in enumerate(shown):
        style = series_style(place)
        name = (
            track.name if str(track.order) in track.name else f"{track.name}, order {track.order}"
        )
        axes.plot(
            track.rpm,
            track.level_db,
            color=style.colour,
            linestyle=style.line,
            linewidth=1.1,
            label=name,
        )
        prominent = np.where(track.prominent, track.level_db, np.nan)
        axes.plot(
            track.rpm,
            prominent,
            color=style.colour,
            marker=style.marker,
            markersize=3.6,
            linestyle="none",
            label=None if not track.prominent.any() else f"order {track.order} prominent",
        )


def _mark(above: Axes, below: Axes, crossings: Sequence[Crossing]) -> None:
    """Ring what orders meet, and shade the speeds at which they do."""
    for number, crossing in enumerate(crossings):
        above.plot(
            crossing.top_rpm,
            crossing.frequency_hz,
            marker="o",
            markersize=13,
            markerfacecolor="none",
            markeredgecolor=_MEETS,
            markeredgewidth=1.6,
        )
        above.annotate(
            f"{crossing.frequency_hz:.0f} Hz",
            (crossing.top_rpm, crossing.frequency_hz),
            (9, 7),
            textcoords="offset points",
            fontsize=7.5,
            color=_MEETS,
        )
        below.axvspan(
            crossing.low_rpm,
            crossing.high_rpm,
            color=_MEETS,
            alpha=0.25,
            linewidth=0,
            label="an order meets something" if number == 0 else None,
        )


def _finish(above: Axes, below: Axes, heard: OverSpeed, end_hz: float) -> None:
    """Set up the axes."""
    edges = _edges(heard.rpm, heard.width)
    above.set_yscale("log")
    above.set_ylim(_LOWEST_HZ, end_hz)
    above.set_yticks([hz for hz in _TICKS_HZ if hz <= end_hz])
    above.yaxis.set_minor_locator(NullLocator())
    above.yaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz:g}"))
    above.set_ylabel("frequency, Hz")
    # What was not heard is neither loud nor quiet.
    above.set_facecolor("#c9d1d6")
    below.set_xlim(float(edges[0]), float(edges[-1]))
    below.set_xlabel("speed, rpm")
    below.grid(axis="y", color=FAINT, alpha=0.25, linewidth=0.6)
