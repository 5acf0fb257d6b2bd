"""What all pictures share: colours, lettering, and figures that come out the same every time."""

import io
from typing import Any, Final, Literal

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

__all__ = ["CURVE", "INK", "STYLE", "PictureForm", "written"]

PictureForm = Literal["png", "svg"]
"""File formats of pictures."""

INK: Final = "#22313a"
"""Lettering and axes."""
CURVE: Final = "#0c6b75"
"""What was measured."""
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
