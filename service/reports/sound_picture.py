"""The picture of a recording: its spectrum, and below it the same frequencies over time."""

from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullLocator

from acoustic.signals import Samples
from acoustic.spectrum import Spectrum
from acoustic.waterfall import Waterfall
from service.reports.drawing import CURVE, STYLE, PictureForm, written

__all__ = ["draw_sound"]

_LOWEST_HZ: Final = 20.0
_HIGHEST_HZ: Final = 20_000.0
_BANDS: Final = 720
"""Frequencies that are drawn side by side: one for each pixel."""
_RANGE_DB: Final = 60.0
"""Colours cover this much below the strongest line."""
_TICKS_HZ: Final = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_INCHES: Final = (8.0, 6.4)


def draw_sound(
    title: str,
    unit: str,
    spectrum: Spectrum,
    waterfall: Waterfall,
    form: PictureForm,
    *,
    start_s: float = 0.0,
) -> bytes:
    """Draw spectrum and waterfall of one channel over one axis of frequency.

    Parameters
    ----------
    title : str
        What was recorded.
    unit : str
        What the levels are in, such as ``dB``.
    spectrum : Spectrum
        Spectrum of the whole, of one channel.
    waterfall : Waterfall
        Spectra over time, of one channel.
    form : {"png", "svg"}
        File format.
    start_s : float, optional
        Where in the recording it begins, in seconds.

    Returns
    -------
    bytes
        The picture; the same sound gives the same bytes. Each place shows the strongest line of
        its band, so that no tone falls between two pixels.
    """
    end_hz = min(_HIGHEST_HZ, float(spectrum.frequency_hz[-1]))
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=_INCHES, layout="constrained")
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(1.0, 1.6))
        _draw_spectrum(above, spectrum, end_hz, unit)
        above.set_title(title, loc="left", fontsize=10.5, fontweight="bold")
        edges_hz = np.geomspace(_LOWEST_HZ, end_hz, _BANDS + 1)
        levels_db = waterfall.strongest(edges_hz)[:, :, 0]
        top_db = float(levels_db.max())
        drawn = below.pcolormesh(
            edges_hz,
            start_s + _edges_s(waterfall),
            np.maximum(levels_db, top_db - _RANGE_DB),
            cmap="magma",
            vmin=top_db - _RANGE_DB,
            vmax=top_db,
            # As an image also in a drawing: it has a quarter of a million places.
            rasterized=True,
        )
        below.invert_yaxis()
        below.set_ylabel("time, s")
        below.set_xlabel("frequency, Hz")
        below.set_xscale("log")
        below.set_xlim(_LOWEST_HZ, end_hz)
        below.set_xticks([hz for hz in _TICKS_HZ if hz <= end_hz])
        below.xaxis.set_minor_locator(NullLocator())
        below.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz:g}"))
        figure.colorbar(drawn, ax=below, label=f"line of {waterfall.spacing_hz:.3g} Hz, {unit}")
        return written(figure, form)


def _draw_spectrum(axes: Axes, spectrum: Spectrum, end_hz: float, unit: str) -> None:
    """Draw the level of every line."""
    shown = (spectrum.frequency_hz >= _LOWEST_HZ) & (spectrum.frequency_hz <= end_hz)
    levels_db = spectrum.power_level_db[shown, 0]
    axes.plot(spectrum.frequency_hz[shown], levels_db, color=CURVE, linewidth=0.8)
    top_db = float(levels_db.max())
    axes.set_ylim(top_db - 1.5 * _RANGE_DB, top_db + 5.0)
    axes.set_ylabel(f"line of {spectrum.spacing_hz:.3g} Hz, {unit}")


def _edges_s(waterfall: Waterfall) -> Samples:
    """Times between columns, in seconds; the last one may be shorter."""
    first = waterfall.step_s * np.arange(waterfall.time_s.size, dtype=np.float64)
    last_s = 2.0 * float(waterfall.time_s[-1]) - float(first[-1])
    return np.append(first, last_s)
