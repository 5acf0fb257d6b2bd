"""The picture of one-third octaves: a step line for each sound, the room as a faint ground."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from service.reports.drawing import FAINT, STYLE, PictureForm, written
from service.reports.series_style import series_style

__all__ = ["ThirdOctaves", "draw_third_octaves"]

_INCHES: Final = (8.0, 3.2)
_RANGE_DB: Final = 60.0


@dataclass(frozen=True, slots=True)
class ThirdOctaves:
    """Levels of one sound in one-third octaves."""

    label: str
    """What it is called."""
    nominal_hz: Sequence[float]
    """Nominal mid-band frequencies."""
    level_db: Sequence[float | None]
    """Levels; None where there is none."""


def draw_third_octaves(
    sounds: Sequence[ThirdOctaves],
    form: PictureForm,
    *,
    unit: str,
    room: ThirdOctaves | None = None,
) -> bytes:
    """Draw one-third octaves of sounds over one another.

    Parameters
    ----------
    sounds : sequence of ThirdOctaves
        The sounds, with the same bands; at least one.
    form : {"png", "svg"}
        File format.
    unit : str
        What levels are in.
    room : ThirdOctaves, optional
        The room with everything at rest.

    Returns
    -------
    bytes
        The picture; the same sounds give the same bytes.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=_INCHES, layout="constrained")
        axes = figure.subplots()
        nominal_hz = sounds[0].nominal_hz
        edges = np.arange(len(nominal_hz) + 1) - 0.5
        levels = [np.array(each.level_db, dtype=np.float64) for each in sounds]
        top_db = max(float(np.nanmax(level)) for level in levels)
        bottom_db = top_db - _RANGE_DB
        if room is not None:
            ground = np.nan_to_num(np.array(room.level_db, dtype=np.float64), nan=bottom_db)
            axes.stairs(
                ground, edges, baseline=bottom_db, fill=True, color=FAINT, alpha=0.3, label="room"
            )
        for place, (sound, level) in enumerate(zip(sounds, levels, strict=True)):
            style = series_style(place)
            axes.stairs(
                level,
                edges,
                baseline=None,
                color=style.colour,
                linestyle=style.line,
                linewidth=1.4,
                label=sound.label,
            )
        axes.set_ylim(bottom_db, top_db + 5.0)
        axes.set_xlim(edges[0], edges[-1])
        shown = range(0, len(nominal_hz), 3)
        axes.set_xticks(list(shown), [f"{nominal_hz[place]:g}" for place in shown])
        axes.set_xlabel("one-third octave, Hz")
        axes.set_ylabel(f"level, {unit}")
        if len(sounds) > 1 or room is not None:
            figure.legend(loc="outside lower center", ncols=3, frameon=False, fontsize=8.0)
        return written(figure, form)
