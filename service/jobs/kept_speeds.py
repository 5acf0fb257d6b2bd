"""Speeds that were noted beside kept sound: settings to look at, and speed over time."""

from dataclasses import dataclass
from statistics import fmean
from typing import Final

import numpy as np

from acoustic.speed_course import SpeedCourse
from service.documents.kept_sound import KeptSetting, KeptSoundDocument

__all__ = ["SteadySetting", "rpm_between", "speed_changes", "speed_courses", "steady_settings"]

_DELAY_S: Final = 1.5
"""How much later than set a speed is heard at most."""
_SHORTEST_S: Final = 4.0
"""Shortest setting whose tones can be told."""
_CHANGED: Final = 0.01
"""Relative difference from which a speed has changed."""


@dataclass(frozen=True, slots=True)
class SteadySetting:
    """A part of a recording in which nothing changed."""

    start_s: float
    """From when on all speeds were heard as they were set."""
    end_s: float
    """When another setting followed."""
    rpm: dict[str, float]
    """Speeds by the names of the actuators; those without a tachometer are missing."""


def steady_settings(kept: KeptSoundDocument) -> list[SteadySetting]:
    """Find the settings that were heard long enough.

    Parameters
    ----------
    kept : KeptSoundDocument
        What was noted beside the sound.

    Returns
    -------
    list of SteadySetting
        Settings of at least 4 s of steady sound, in order of time.
    """
    found = []
    for setting in kept.settings:
        begins_s = setting.start_s if setting.steady_from_s is None else setting.steady_from_s
        start_s, end_s = begins_s + _DELAY_S, min(setting.end_s, kept.duration_s)
        if end_s - start_s >= _SHORTEST_S:
            found.append(SteadySetting(start_s, end_s, _rpm(setting)))
    return found


def rpm_between(kept: KeptSoundDocument, start_s: float, end_s: float) -> dict[str, float]:
    """Return the speeds of a part of kept sound.

    Parameters
    ----------
    kept : KeptSoundDocument
        What was noted beside the sound.
    start_s, end_s : float
        The part, in seconds.

    Returns
    -------
    dict of str to float
        Mean speeds by the names of the actuators, each setting by how long it lasts there.
    """
    weighted: dict[str, list[tuple[float, float]]] = {}
    for setting, overlap_s in _within(kept, start_s, end_s):
        for name, rpm in _rpm(setting).items():
            weighted.setdefault(name, []).append((rpm, overlap_s))
    return {
        name: sum(rpm * s for rpm, s in some) / sum(s for _, s in some)
        for name, some in weighted.items()
    }


def speed_courses(kept: KeptSoundDocument) -> dict[str, SpeedCourse]:
    """Return the speeds over time.

    Parameters
    ----------
    kept : KeptSoundDocument
        What was noted beside the sound.

    Returns
    -------
    dict of str to SpeedCourse
        By the names of the actuators; those without a tachometer are missing. Where no speeds over
        time were noted, they are told only of settings that were steady.
    """
    times: dict[str, list[float]] = {}
    speeds: dict[str, list[float]] = {}
    if kept.speeds is not None:
        for name, readings in kept.speeds.rpm.items():
            times[name] = kept.speeds.time_s
            speeds[name] = [np.nan if rpm is None else rpm for rpm in readings]
    else:
        for setting in steady_settings(kept):
            # Readings a second apart, as nothing is known between readings further apart.
            inside = np.arange(setting.start_s, setting.end_s, 1.0).tolist()
            for name, rpm in setting.rpm.items():
                times.setdefault(name, []).extend(inside)
                speeds.setdefault(name, []).extend([rpm] * len(inside))
    return {
        name: SpeedCourse(np.array(times[name]), np.array(some))
        for name, some in speeds.items()
        if np.count_nonzero(np.nan_to_num(some) > 0.0) > 1
    }


def speed_changes(kept: KeptSoundDocument, start_s: float, end_s: float) -> list[str]:
    """Say which speeds change within a part of kept sound.

    Parameters
    ----------
    kept : KeptSoundDocument
        What was noted beside the sound.
    start_s, end_s : float
        The part, in seconds.

    Returns
    -------
    list of str
        A sentence for each.
    """
    speeds: dict[str, list[float]] = {}
    for setting, _ in _within(kept, start_s, end_s):
        for name, rpm in _rpm(setting).items():
            speeds.setdefault(name, []).append(rpm)
    return [
        f"The speed of {name} changes from {some[0]:.0f} to {some[-1]:.0f} rpm, between "
        f"{min(some):.0f} and {max(some):.0f}, so its tones are smeared; choose a setting with "
        "--from and --to."
        for name, some in speeds.items()
        if max(some) - min(some) > _CHANGED * fmean(some)
    ]


def _within(
    kept: KeptSoundDocument, start_s: float, end_s: float
) -> list[tuple[KeptSetting, float]]:
    """Settings that a part touches, and for how long."""
    found = []
    for setting in kept.settings:
        overlap_s = min(setting.end_s, end_s) - max(setting.start_s, start_s)
        if overlap_s > 0.0:
            found.append((setting, overlap_s))
    return found


def _rpm(setting: KeptSetting) -> dict[str, float]:
    """Speeds of what turns, as far as a tachometer tells."""
    return {name: each.rpm for name, each in setting.actuators.items() if each.rpm}
