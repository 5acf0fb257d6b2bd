"""The picture of a profile: a cooler's level over its whole range of speeds."""

from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.sweep_results import SweepResult
from service.reports.drawing import (
    FAINT,
    INK,
    STYLE,
    PictureForm,
    draw_cooler_alone,
    draw_floor,
    written,
)

__all__ = ["draw_profile"]

_RESONANCE: Final = "#e8b64c"
_INCHES: Final = (7.2, 4.4)


def draw_profile(cooler: str, result: SweepResult, form: PictureForm) -> bytes:
    """Draw what a sweep found.

    Parameters
    ----------
    cooler : str
        The cooler's name.
    result : SweepResult
        The sweep.
    form : {"png", "svg"}
        File format.

    Returns
    -------
    bytes
        The picture; the same sweep gives the same bytes.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=_INCHES, layout="constrained")
        axes = figure.subplots()
        _draw_resonances(axes, result)
        _draw_glide(axes, result)
        _draw_levels(axes, result)
        draw_floor(axes, result.floor.mean_db)
        axes.set_title(cooler, loc="left", fontsize=10.5, fontweight="bold")
        axes.set_title(_headline(result), loc="right", fontsize=8.5)
        told = any(point.rpm is not None for point in result.points)
        axes.set_xlabel("fan speed, rpm" if told else "fan duty, %")
        axes.set_ylabel("level, dB(A)")
        _set_limits(axes, result)
        figure.legend(loc="outside lower center", ncols=4, frameon=False, fontsize=8.0)
        return written(figure, form)


def _headline(result: SweepResult) -> str:
    """Say how steep it is."""
    if result.exponent_db is None:
        return result.outcome
    exponent = result.exponent_db
    return f"{exponent.mean_db:.0f} +-{1.96 * exponent.sd_db:.0f} dB per decade"


def _draw_resonances(axes: Axes, result: SweepResult) -> None:
    """Mark the ranges of speed that stand out."""
    for number, found in enumerate(result.resonances):
        axes.axvspan(
            found.low,
            found.high,
            color=_RESONANCE,
            alpha=0.45,
            linewidth=0,
            label="resonance" if number == 0 else None,
        )
        axes.annotate(
            f"+{found.height_db:.1f} dB",
            (found.centre, 1.0),
            (0, -9),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="center",
            fontsize=7.0,
        )


def _draw_glide(axes: Axes, result: SweepResult) -> None:
    """Draw every half second between the settings, and what of it was something else."""
    good = result.glide.usable > 0
    for kept, marker, size, label in (
        (good, ".", 3.0, "gliding, as read"),
        (~good, "x", 3.0, "left out"),
    ):
        if kept.any():
            axes.plot(
                result.glide.speed[kept],
                result.glide.level_db[kept],
                linestyle="none",
                marker=marker,
                markersize=size,
                color=FAINT,
                alpha=0.8,
                label=label,
            )


def _draw_levels(axes: Axes, result: SweepResult) -> None:
    """Draw the level of the cooler alone."""
    if result.curve is not None:
        draw_cooler_alone(axes, result.curve)
    clear = [point for point in result.points if not point.upper_bound]
    if clear:
        axes.errorbar(
            [point.speed for point in clear],
            [point.level.mean_db for point in clear],
            [1.96 * point.level.sd_db for point in clear],
            fmt="o",
            markersize=4.5,
            color=INK,
            markerfacecolor="white",
            elinewidth=1.0,
            label="settled, cooler alone",
        )
    bounds = [point for point in result.points if point.upper_bound]
    if bounds:
        axes.plot(
            [point.speed for point in bounds],
            [point.level.mean_db for point in bounds],
            linestyle="none",
            marker="v",
            markersize=5.0,
            color=INK,
            markerfacecolor="none",
            label="at most",
        )


def _set_limits(axes: Axes, result: SweepResult) -> None:
    """Show the cooler and the floor, not what passed and not the whole doubt of the curve."""
    levels = [point.reading.mean_db for point in result.points]
    levels += [point.level.mean_db for point in result.points if not point.upper_bound]
    levels += result.glide.level_db[result.glide.usable > 0].tolist()
    levels.append(result.floor.mean_db)
    shown = [level for level in levels if np.isfinite(level)]
    axes.set_ylim(min(shown) - 4.0, max(shown) + 3.0)
