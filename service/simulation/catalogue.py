"""The invented coolers of the simulated bench."""

import difflib
from collections.abc import Mapping

from service.errors import SettingsError
from service.simulation.cooler import Cooler, HeatPath
from service.simulation.machine import Machine, Resonance, Tone
from service.simulation.rotor import RotorLaw
from service.simulation.spectrum import NoiseShape

__all__ = ["COOLERS", "find_cooler"]

_LARGE_FAN = NoiseShape(highpass_hz=60.0, lowpass_hz=(350.0, 2600.0))
_SMALL_FAN = NoiseShape(highpass_hz=90.0, lowpass_hz=(600.0, 4000.0))
_PUMP = NoiseShape(highpass_hz=120.0, lowpass_hz=(500.0, 3500.0))

_FJORD = Cooler(
    "Fjord 140",
    {
        "fan": Machine(
            role="fan",
            law=RotorLaw(
                full_rpm=1700.0,
                time_constant_s=1.4,
                dead_duty_percent=20.0,
                stall_duty_percent=17.0,
                restart_duty_percent=22.0,
                bulge_percent=2.5,
                backlash_percent=0.3,
                hunting_percent=0.10,
                hunting_s=2.0,
            ),
            level_db=48.5,
            decade_db=54.0,
            shape=_LARGE_FAN,
            tones=(Tone(7, 40.0), Tone(14, 33.0), Tone(21, 27.0)),
            resonances=(Resonance(rpm=920.0, height_db=1.6, width_percent=4.0),),
            hunting_db=0.20,
            hunting_s=2.0,
        )
    },
)

_MOOR = Cooler(
    "Moor 120",
    {
        "fan": Machine(
            role="fan",
            law=RotorLaw(
                full_rpm=950.0,
                time_constant_s=1.1,
                dead_duty_percent=24.0,
                stall_duty_percent=12.0,
                restart_duty_percent=19.0,
                bulge_percent=1.5,
                backlash_percent=0.2,
                hunting_percent=0.12,
                hunting_s=1.5,
            ),
            level_db=35.0,
            decade_db=52.0,
            shape=_LARGE_FAN,
            tones=(Tone(9, 27.0), Tone(18, 21.0)),
            hunting_db=0.15,
            hunting_s=1.5,
        )
    },
    HeatPath(contact_k_per_w=0.11, surface_k_per_w=0.15, capacity_j_per_k=180.0),
)

_GANNET = Cooler(
    "Gannet 80",
    {
        "fan": Machine(
            role="fan",
            law=RotorLaw(
                full_rpm=6200.0,
                time_constant_s=0.9,
                dead_duty_percent=30.0,
                bulge_percent=1.25,
                hunting_percent=0.15,
                hunting_s=1.2,
            ),
            level_db=68.0,
            decade_db=50.0,
            shape=_SMALL_FAN,
            tones=(Tone(5, 57.0), Tone(10, 52.0), Tone(15, 47.0)),
            resonances=(Resonance(rpm=3900.0, height_db=2.5, width_percent=5.0),),
            hunting_db=0.25,
            hunting_s=1.2,
            min_duty_percent=30.0,
        )
    },
    HeatPath(surface_k_per_w=0.10, capacity_j_per_k=140.0),
)

_ISTHMUS = Cooler(
    "Isthmus 2x140",
    {
        "fan": Machine(
            role="fan",
            law=RotorLaw(
                full_rpm=1550.0,
                time_constant_s=1.8,
                dead_duty_percent=20.0,
                stall_duty_percent=14.0,
                restart_duty_percent=20.0,
                bulge_percent=3.0,
                backlash_percent=0.4,
                hunting_percent=0.08,
                hunting_s=3.0,
            ),
            level_db=45.5,
            decade_db=56.0,
            shape=_LARGE_FAN,
            tones=(Tone(9, 41.0), Tone(18, 33.0), Tone(27, 25.0)),
            resonances=(Resonance(rpm=1180.0, height_db=1.2, width_percent=6.0),),
            hunting_db=0.18,
            hunting_s=3.0,
            # At 1100 rpm the blade-pass tones are 1 Hz apart: a slow beat.
            speed_ratios=(1.0, 0.994),
        )
    },
    HeatPath(surface_k_per_w=0.09, capacity_j_per_k=320.0),
)

_LAGOON = Cooler(
    "Lagoon 240",
    {
        "fan": Machine(
            role="fan",
            law=RotorLaw(
                full_rpm=2100.0,
                time_constant_s=1.0,
                dead_duty_percent=18.0,
                stall_duty_percent=15.0,
                restart_duty_percent=18.0,
                bulge_percent=2.0,
                backlash_percent=0.2,
                hunting_percent=0.10,
                hunting_s=1.5,
            ),
            level_db=50.0,
            decade_db=53.0,
            shape=_SMALL_FAN,
            tones=(Tone(9, 40.0), Tone(18, 35.0)),
            hunting_db=0.22,
            hunting_s=1.5,
            speed_ratios=(1.0, 0.985),
        ),
        "pump": Machine(
            role="pump",
            law=RotorLaw(
                full_rpm=2900.0,
                time_constant_s=0.8,
                dead_duty_percent=40.0,
                bulge_percent=1.25,
                hunting_percent=0.05,
                hunting_s=4.0,
            ),
            level_db=31.0,
            decade_db=46.0,
            shape=_PUMP,
            tones=(Tone(1, 30.0), Tone(6, 24.0), Tone(12, 21.0)),
            hunting_db=0.10,
            hunting_s=4.0,
            min_duty_percent=40.0,
        ),
    },
    HeatPath(contact_k_per_w=0.08, surface_k_per_w=0.09, capacity_j_per_k=900.0),
)

_ESTUARY = Cooler(
    "Estuary 360",
    {
        "fan": Machine(
            role="fan",
            law=RotorLaw(
                full_rpm=1850.0,
                time_constant_s=2.2,
                dead_duty_percent=20.0,
                stall_duty_percent=18.0,
                restart_duty_percent=24.0,
                bulge_percent=2.5,
                backlash_percent=0.3,
                hunting_percent=0.10,
                hunting_s=2.5,
            ),
            level_db=47.0,
            decade_db=57.0,
            shape=_LARGE_FAN,
            tones=(Tone(7, 37.0), Tone(14, 30.0)),
            resonances=(
                Resonance(rpm=780.0, height_db=2.0, width_percent=3.5),
                Resonance(rpm=1310.0, height_db=1.4, width_percent=5.0),
            ),
            hunting_db=0.20,
            hunting_s=2.5,
            speed_ratios=(1.0, 0.991, 1.013),
        ),
        "pump": Machine(
            role="pump",
            law=RotorLaw(
                full_rpm=3200.0,
                time_constant_s=1.2,
                dead_duty_percent=30.0,
                bulge_percent=1.25,
                hunting_percent=0.05,
                hunting_s=4.0,
            ),
            level_db=33.0,
            decade_db=45.0,
            shape=_PUMP,
            # The whine: 1280 Hz at full speed, far above the noise around it.
            tones=(Tone(6, 24.0), Tone(24, 39.0), Tone(48, 27.0)),
            hunting_db=0.10,
            hunting_s=4.0,
            min_duty_percent=30.0,
        ),
    },
    HeatPath(contact_k_per_w=0.07, surface_k_per_w=0.07, capacity_j_per_k=1200.0),
)

COOLERS: Mapping[str, Cooler] = {
    cooler.name: cooler for cooler in (_FJORD, _MOOR, _GANNET, _ISTHMUS, _LAGOON, _ESTUARY)
}
"""The coolers by name: two quiet single-fan towers (`Moor 120` stays below 40 dB(A) even at full
speed), `Gannet 80` (above 40 dB(A) even at its lowest), a twin-fan tower that beats, and two
liquid loops, of which `Estuary 360` has a whiny pump."""


def _plain(name: str) -> str:
    """Return `name` as it is compared: small letters, hyphens for spaces."""
    return "-".join(name.lower().replace("-", " ").split())


def find_cooler(name: str) -> Cooler:
    """Cooler of a given name.

    Parameters
    ----------
    name : str
        Its name; case does not matter, and a hyphen may stand for a space.

    Returns
    -------
    Cooler
        The cooler.

    Raises
    ------
    SettingsError
        If there is none of this name.
    """
    by_plain = {_plain(cooler.name): cooler for cooler in COOLERS.values()}
    found = by_plain.get(_plain(name))
    if found is not None:
        return found
    near = difflib.get_close_matches(_plain(name), by_plain, n=1)
    hint = (
        f"did you mean {by_plain[near[0]].name!r}?"
        if near
        else f"choose one of {', '.join(COOLERS)}."
    )
    raise SettingsError(f"The simulated bench has no cooler {name!r}; {hint}")
