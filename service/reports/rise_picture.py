"""The picture of a comparison: temperature rise over level, a curve a cooler, a panel a load."""

from collections.abc import Sequence
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from service.documents.comparison import ComparedRunPart, ComparisonDocument
from service.errors import DocumentError
from service.reports.drawing import FAINT, INK, STYLE, PictureForm, panels_of, written
from service.reports.series_style import SeriesStyle, series_style

__all__ = ["draw_rises"]

_PANEL_INCHES: Final = (5.6, 4.2)


def draw_rises(document: ComparisonDocument, form: PictureForm) -> bytes:
    """Draw the rise of every run over its level; without any level, the rises as bars.

    Parameters
    ----------
    document : ComparisonDocument
        The comparison.
    form : {"png", "svg"}
        File format.

    Returns
    -------
    bytes
        The picture; the same comparison gives the same bytes.

    Raises
    ------
    DocumentError
        If there is no run.
    """
    if not document.runs:
        raise DocumentError("A comparison without runs cannot be drawn.")
    loads = list(dict.fromkeys(run.load for run in document.runs))
    coolers = list(dict.fromkeys(run.cooler for run in document.runs))
    with mpl.rc_context(STYLE):
        figure = panels_of(len(loads), _PANEL_INCHES)
        for axes, load in zip(figure.axes, loads, strict=False):
            runs = [run for run in document.runs if run.load == load]
            if any(run.level is not None for run in runs):
                _draw_over_level(axes, runs, coolers)
            else:
                _draw_bars(axes, runs)
            axes.set_title(load or "rise over level", loc="left", fontsize=10.5, fontweight="bold")
            if any(run.common_power is not None for run in runs):
                axes.set_title("at a common power", loc="right", fontsize=8.5)
        return written(figure, form)


def _shown(run: ComparedRunPart) -> tuple[float, float]:
    """Rise of a run and its interval, at the common power where that was asked for."""
    if run.common_power is not None:
        return run.common_power.rise_k, run.common_power.U95_k
    return run.rise_k, run.U95_k


def _draw_over_level(axes: Axes, runs: Sequence[ComparedRunPart], coolers: Sequence[str]) -> None:
    """Draw one curve a cooler, and the front."""
    for place, cooler in enumerate(coolers):
        own = [
            (run.level, *_shown(run))
            for run in runs
            if run.cooler == cooler and run.level is not None
        ]
        if own:
            own.sort(key=lambda one: (one[0].LAeq_db, one[1]))
            _draw_cooler(
                axes,
                cooler,
                np.array([(level.LAeq_db, level.U95_db, *rise) for level, *rise in own]),
                series_style(place),
            )
    front = sorted(
        (run.level.LAeq_db, _shown(run)[0])
        for run in runs
        if run.on_front and run.level is not None
    )
    axes.step(
        *zip(*front, strict=True),
        where="post",
        color=FAINT,
        linewidth=5.0,
        alpha=0.35,
        zorder=0,
        label="lower-left front",
    )
    axes.margins(0.08, 0.12)
    axes.set_xlabel("level, dB(A)")
    axes.set_ylabel("temperature rise over the air, K")
    axes.grid(color=FAINT, alpha=0.2, linewidth=0.6)
    axes.legend(frameon=False, fontsize=8.0)


def _draw_cooler(axes: Axes, cooler: str, points: np.ndarray, style: SeriesStyle) -> None:
    """Draw the runs of a cooler, joined along their coldest at each level."""
    level_db, level_U95_db, rise_k, U95_k = points.T
    axes.errorbar(
        level_db,
        rise_k,
        xerr=level_U95_db,
        yerr=U95_k,
        fmt=style.marker,
        color=style.colour,
        markersize=5.0,
        elinewidth=1.0,
        label=cooler,
    )
    # Several pairs of fan and pump speed make one level: the curve goes through the coldest.
    coldest: list[tuple[float, float]] = []
    for place in np.argsort(level_db, kind="stable").tolist():
        at, rise = float(level_db[place]), float(rise_k[place])
        if coldest and at - coldest[-1][0] < 0.7:
            coldest[-1] = min(coldest[-1], (at, rise), key=lambda one: one[1])
        else:
            coldest.append((at, rise))
    axes.plot(*zip(*coldest, strict=True), linestyle=style.line, color=style.colour, linewidth=1.2)


def _draw_bars(axes: Axes, runs: Sequence[ComparedRunPart]) -> None:
    """Draw the rises of runs whose levels are not known."""
    shown = [_shown(run) for run in runs]
    places = range(len(runs))
    axes.barh(
        places,
        [rise for rise, _ in shown],
        xerr=[U95 for _, U95 in shown],
        color=[series_style(place).colour for place in places],
        ecolor=INK,
        alpha=0.75,
        height=0.6,
    )
    axes.set_yticks(places, [f"{run.cooler}, {run.at}" for run in runs])
    axes.invert_yaxis()
    axes.set_xlabel("temperature rise over the air, K")
