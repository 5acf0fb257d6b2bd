"""How several sounds are told apart in one picture: by colour, line and marker at once."""

from typing import Final, NamedTuple

from service.reports.drawing import CURVE

__all__ = ["SeriesStyle", "series_style"]


class SeriesStyle(NamedTuple):
    """How one sound is drawn."""

    colour: str
    """Colour of its lines."""
    line: str | tuple[int, tuple[int, ...]]
    """How its lines are dashed."""
    marker: str
    """What marks its tones."""


_STYLES: Final = (
    SeriesStyle(CURVE, "-", "o"),
    SeriesStyle("#b3361e", (0, (6, 2)), "s"),
    SeriesStyle("#5a4a9c", (0, (3, 1, 1, 1)), "^"),
    SeriesStyle("#b8860b", (0, (1, 1)), "D"),
    SeriesStyle("#22313a", (0, (8, 2, 1, 2)), "v"),
)
"""They differ in lightness too, so that no kind of colour blindness joins two of them."""


_FURTHER: Final = (
    ((0, (6, 2)), "P"),
    ("-", "X"),
    ((0, (1, 1)), "<"),
    ((0, (8, 2, 1, 2)), "*"),
    ((0, (3, 1, 1, 1)), "h"),
)
"""Lines and markers from the sixth on, where the colours come again."""


def series_style(place: int) -> SeriesStyle:
    """Return how what is at a place is drawn; beyond the tenth, styles come again."""
    style = _STYLES[place % len(_STYLES)]
    if place % (2 * len(_STYLES)) < len(_STYLES):
        return style
    line, marker = _FURTHER[place % len(_STYLES)]
    return SeriesStyle(style.colour, line, marker)
