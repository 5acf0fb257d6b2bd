"""What all pictures share: colours, lettering, and figures that come out the same every time."""

import io
from typing import Any, Final, Literal

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from calibration.results import LevelCurve

__all__ = [
    "CURVE",
    "FAINT",
    "FORMS",
    "INK",
    "STYLE",
    "PictureForm",
    "draw_cooler_alone",
    "draw_floor",
    "panels_of",
    "written",
]

PictureForm = Literal["png", "svg"]
"""File formats of pictures."""
FORMS: Final[tuple[PictureForm, ...]] = ("png", "svg")
"""The formats that results are drawn in."""

INK: Final = "#22313a"
"""Lettering and axes."""
CURVE: Final = "#0c6b75"
"""What was measured."""
FAINT: Final = "#7b8a94"
"""The room, and what matters less."""
STYLE: Final[dict[Any, Any]] = {
    "font.size": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    # Names of coolers and recordings are no formulas, whatever signs they hold.
    "text.parse_math": False,
    # Fixed ids, so that the same figure gives the same file.
    "svg.hashsalt": "evenhush",
}
"""Settings to draw with."""


def panels_of(count: int, inches: tuple[float, float], *, below: float = 0.0) -> Figure:
    """Make a figure of panels in rows of up to three; those left over are empty.

    Parameters
    ----------
    count : int
        How many panels, at least one; they are the figure's first axes.
    inches : tuple of two floats
        Width and height of each.
    below : float, optional
        Height left below them, in inches.

    Returns
    -------
    Figure
        The figure.
    """
    columns = min(count, 3)
    rows = -(-count // columns)
    figure = Figure(figsize=(columns * inches[0], rows * inches[1] + below), layout="constrained")
    figure.subplots(rows, columns, squeeze=False)
    for axes in figure.axes[count:]:
        axes.set_axis_off()
    return figure


def draw_floor(axes: Axes, level_db: float) -> None:
    """Draw the level of the room."""
    axes.axhline(level_db, color=FAINT, linestyle=(0, (1, 2)), linewidth=1.2, label="room floor")


def draw_cooler_alone(axes: Axes, curve: LevelCurve) -> None:
    """Draw the level of a cooler alone over speed with its 95 % interval."""
    low = curve.cooler_db - 1.96 * curve.sd_db
    high = curve.cooler_db + 1.96 * curve.sd_db
    axes.fill_between(curve.rpm, low, high, color=CURVE, alpha=0.15, linewidth=0)
    axes.plot(curve.rpm, curve.cooler_db, color=CURVE, label="cooler alone")


def written(figure: Figure, form: PictureForm) -> bytes:
    """Write a figure.

    Parameters
    ----------
    figure : Figure
        The figure, drawn with `STYLE` still in force.
    form : {"png", "svg"}
        File format.

    Returns
    -------
    bytes
        The file; the same figure gives the same bytes.
    """
    file = io.BytesIO()
    if form == "png":
        FigureCanvasAgg(figure).print_figure(file, format="png", dpi=150)
    else:
        FigureCanvasSVG(figure).print_figure(file, format="svg", dpi=150, metadata={"Date": None})
    return file.getvalue()
