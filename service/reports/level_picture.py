"""The picture of a series: each cooler's level over fan speed, with what was heard and believed."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from calibration.results import HeardSetting, MatchRequest, MatchResult
from service.reports.drawing import (
    INK,
    STYLE,
    PictureForm,
    draw_cooler_alone,
    draw_floor,
    panels_of,
    written,
)

__all__ = ["LevelPanel", "draw_levels"]

_TARGET: Final = "#e8b64c"
_CHOSEN: Final = "#b3361e"
_PANEL_INCHES: Final = (4.6, 3.4)
_OUTCOME_WORDS: Final = {
    "matched": "matched",
    "quieter-at-full-speed": "quieter even at full speed",
    "louder-at-minimum": "louder even at the lowest speeds",
    "floor-too-high": "floor too high",
    "unsteady": "unsteady",
    "stopped": "stopped",
}


@dataclass(frozen=True, slots=True, eq=False)
class LevelPanel:
    """One cooler in the picture."""

    cooler: str
    """Its name."""
    request: MatchRequest
    """What was asked."""
    result: MatchResult
    """How it ended."""


def draw_levels(panels: Sequence[LevelPanel], form: PictureForm) -> bytes:
    """Draw one panel a cooler: level over fan speed.

    Parameters
    ----------
    panels : sequence of LevelPanel
        The coolers, at least one.
    form : {"png", "svg"}
        File format.

    Returns
    -------
    bytes
        The picture; the same panels give the same bytes.
    """
    with mpl.rc_context(STYLE):
        figure = panels_of(len(panels), _PANEL_INCHES, below=0.5)
        for axes, panel in zip(figure.axes, panels, strict=False):
            _draw_panel(axes, panel)
        figure.legend(
            *_legend_of(figure.axes[: len(panels)]),
            loc="outside lower center",
            # One panel alone is not wide enough for all of it in a row.
            ncols=3 if len(panels) == 1 else 6,
            frameon=False,
            fontsize=8.0,
        )
        return written(figure, form)


def _legend_of(all_axes: Sequence[Axes]) -> tuple[list[Artist], list[str]]:
    """Collect each labelled thing once over all panels."""
    found: dict[str, Artist] = {}
    for axes in all_axes:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            found.setdefault(label, handle)
    return list(found.values()), list(found)


def _speed_of(setting: HeardSetting) -> float | None:
    """Mean speed of the fans, or their duty where no tachometer tells."""
    fans = [actuator for name, actuator in setting.actuators.items() if name.startswith("fan")]
    speeds = [actuator.rpm for actuator in fans if actuator.rpm is not None]
    if speeds:
        return float(np.mean(speeds))
    return fans[0].duty_percent if fans else None


def _draw_panel(axes: Axes, panel: LevelPanel) -> None:
    """Draw one cooler."""
    request, result = panel.request, panel.result
    axes.axhspan(
        result.target_db - request.tolerance_db,
        result.target_db + request.tolerance_db,
        color=_TARGET,
        alpha=0.55,
        linewidth=0,
        label="target band",
    )
    draw_floor(axes, result.floor.mean_db)
    if result.curve is not None:
        draw_cooler_alone(axes, result.curve)
    _draw_settings(axes, result)
    axes.set_title(panel.cooler, loc="left", fontsize=10.5, fontweight="bold")
    axes.set_title(_OUTCOME_WORDS[result.outcome], loc="right", fontsize=8.5)
    axes.set_xlabel("fan speed, rpm")
    axes.set_ylabel("level, dB(A)")
    _set_limits(axes, panel)


def _draw_settings(axes: Axes, result: MatchResult) -> None:
    """Draw what was heard: readings with their order, and the setting that is given."""
    turning = [
        (number, setting, speed)
        for number, setting in enumerate(result.visited, start=1)
        if (speed := _speed_of(setting))
    ]
    if not turning:
        return
    axes.errorbar(
        [speed for _, _, speed in turning],
        [setting.reading.mean_db for _, setting, _ in turning],
        [1.96 * setting.reading.sd_db for _, setting, _ in turning],
        fmt="o",
        markersize=4.5,
        color=INK,
        markerfacecolor="white",
        elinewidth=1.0,
        label="as read, in order",
    )
    for number, setting, speed in turning:
        axes.annotate(
            str(number),
            (speed, setting.reading.mean_db),
            (4, -9),
            textcoords="offset points",
            fontsize=7.0,
        )
    last_number, _, last_speed = turning[-1]
    if result.level is not None and last_number == len(result.visited):
        axes.plot(
            [last_speed],
            [result.level.mean_db],
            marker="D",
            markersize=8.0,
            linestyle="none",
            markerfacecolor="none",
            markeredgecolor=_CHOSEN,
            markeredgewidth=1.8,
            label="setting given",
        )


def _set_limits(axes: Axes, panel: LevelPanel) -> None:
    """Show the floor, the target and everything heard, not the whole doubt of the curve."""
    levels = [setting.reading.mean_db for setting in panel.result.visited]
    levels += [panel.result.floor.mean_db, panel.result.target_db]
    axes.set_ylim(min(levels) - 3.0, max(levels) + 4.0)
    if panel.result.curve is not None:
        axes.set_xlim(float(panel.result.curve.rpm[0]), float(panel.result.curve.rpm[-1]))
