"""The picture of pairs: fan speed over pump speed at one level, a panel a cooler."""

from collections.abc import Sequence
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from service.documents.matched_settings import CoolerPart, PairPart, SettingPart
from service.reports.drawing import CURVE, INK, STYLE, PictureForm, panels_of, written

__all__ = ["draw_pairs"]

_MISSED: Final = "#b3361e"
_PANEL_INCHES: Final = (4.6, 3.4)


def draw_pairs(coolers: Sequence[CoolerPart], form: PictureForm) -> bytes:
    """Draw one panel a cooler: the fan speed of each pair over its pump speed.

    Parameters
    ----------
    coolers : sequence of CoolerPart
        The coolers, each with pairs; at least one.
    form : {"png", "svg"}
        File format.

    Returns
    -------
    bytes
        The picture; the same coolers give the same bytes.
    """
    with mpl.rc_context(STYLE):
        figure = panels_of(len(coolers), _PANEL_INCHES)
        for axes, part in zip(figure.axes, coolers, strict=False):
            _draw_panel(axes, part)
        return written(figure, form)


def _speed(settings: dict[str, SettingPart], role: str) -> float | None:
    """Mean speed of the actuators of a role; None where a tachometer is missing."""
    speeds = [setting.rpm for name, setting in settings.items() if name.startswith(role)]
    known = [rpm for rpm in speeds if rpm is not None]
    return float(np.mean(known)) if known and len(known) == len(speeds) else None


def _duty(settings: dict[str, SettingPart], role: str) -> float:
    """Mean duty of the actuators of a role."""
    return float(np.mean([s.duty_percent for name, s in settings.items() if name.startswith(role)]))


def _draw_panel(axes: Axes, part: CoolerPart) -> None:
    """Draw one cooler."""
    given = [(number, pair) for number, pair in enumerate(part.curve, 1) if pair.settings]
    units = {}
    values: dict[str, list[float]] = {}
    for role in ("fan", "pump"):
        speeds = [_speed(pair.settings or {}, role) for _, pair in given]
        known = [rpm for rpm in speeds if rpm is not None]
        told = len(known) == len(speeds)
        units[role] = "speed, rpm" if told else "duty, %"
        values[role] = known if told else [_duty(pair.settings or {}, role) for _, pair in given]
    for (number, pair), pump, fan in zip(given, values["pump"], values["fan"], strict=True):
        _draw_pair(axes, number, pair, (pump, fan), in_rpm=units["fan"] == "speed, rpm")
    matched = [
        (pump, fan)
        for (_, pair), pump, fan in zip(given, values["pump"], values["fan"], strict=True)
        if pair.outcome == "matched"
    ]
    if matched:
        axes.plot(*zip(*matched, strict=True), color=CURVE, linewidth=1.0, zorder=1)
    axes.margins(0.12, 0.2)
    axes.set_title(part.cooler, loc="left", fontsize=10.5, fontweight="bold")
    axes.set_title(_words(part), loc="right", fontsize=8.5)
    axes.set_xlabel(f"pump {units['pump']}")
    axes.set_ylabel(f"fan {units['fan']}")


def _words(part: CoolerPart) -> str:
    """How many pairs make the target."""
    matched = sum(pair.outcome == "matched" for pair in part.curve)
    return f"{matched} of {len(part.curve)} pairs matched"


def _draw_pair(
    axes: Axes, number: int, pair: PairPart, place: tuple[float, float], *, in_rpm: bool
) -> None:
    """Draw one pair with its number, its interval and, where it was not matched, what it is."""
    matched = pair.outcome == "matched"
    colour = CURVE if matched else _MISSED
    interval = [pair.fan_rpm_U95] if in_rpm and matched and pair.fan_rpm_U95 else None
    axes.errorbar(
        [place[0]],
        [place[1]],
        yerr=interval,
        fmt="o" if matched else "x",
        markersize=5.5,
        color=colour,
        markerfacecolor="white" if matched else colour,
        elinewidth=1.0,
        capsize=2.5,
        zorder=2,
    )
    words = str(number) if matched else f"{number} {pair.outcome.replace('-', ' ')}"
    axes.annotate(
        words,
        place,
        (5, 5),
        textcoords="offset points",
        fontsize=8.0,
        color=INK if matched else _MISSED,
    )
