"""Every kind of bench hardware, each with the same fan, pump and processor, for one suite.

To add a driver, add a class with these methods and put it into `KINDS`.
"""

import json
import sys
from pathlib import Path
from typing import Any, Protocol

import fan_program
from made_up_hwmon import contents, usual_tree

from service.bench_settings import BenchHostSettings
from service.ports import BenchHardware
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.storage.saved_hardware import SavedHardwareFile
from service.wiring.bench_hardware import driven_bench


class HardwareKind(Protocol):
    """A bench named ``south`` with ``fan`` (15 to 100 %), ``pump`` (30 to 100 %), ``processor``."""

    bench: BenchHardware
    """The bench."""

    def outside(self) -> Any:
        """Return everything that the driver could change, not seen through the driver."""
        ...

    def saved(self) -> bool:
        """Return whether something is noted for another process to put back."""
        ...


class BreakableKind(HardwareKind, Protocol):
    """Hardware that can fail."""

    def lose_sensor(self) -> None:
        """Let the processor's temperature read nonsense."""
        ...

    def fail(self) -> None:
        """Let everything fail from now on."""
        ...

    def mend(self) -> None:
        """Undo the failure."""
        ...


class _Driven:
    """What both real drivers share: a configuration and a memory."""

    def __init__(self, folder: Path, host: dict[str, Any]) -> None:
        self.memory = SavedHardwareFile(folder / "data", "south")
        self.settings = BenchHostSettings.model_validate(host)
        self.bench = driven_bench(self.settings, "south", self.memory)

    def saved(self) -> bool:
        """Return whether the file is there."""
        return self.memory.path.exists()


class Hwmon(_Driven):
    """Channels of a chip in a made-up tree."""

    def __init__(self, folder: Path) -> None:
        chips = usual_tree(folder)
        self._heron = (chips / "hwmon3").resolve()
        self._ember = (chips / "hwmon1").resolve()
        self._aside = folder / "unplugged"
        chip = {"chip": "heron"}
        super().__init__(
            folder,
            {
                "driver": "hwmon",
                "hwmon_folder": chips,
                "actuators": {
                    "fan": {"role": "fan", "min_duty_percent": 15, "pwm": "pwm1", **chip}
                    | {"tachometer": "fan1"},
                    "pump": {"role": "pump", "min_duty_percent": 30, "pwm": "Pump", **chip}
                    | {"tachometer": "Pump"},
                },
                "temperatures": {"processor": {"chip": "ember", "sensor": "Core", "limit_c": 90}},
            },
        )

    def outside(self) -> Any:
        """Return what the files say."""
        return contents(self._heron)

    def lose_sensor(self) -> None:
        """Let it read as an open diode does."""
        (self._ember / "temp1_input").write_text("127500\n", encoding="utf-8")

    def fail(self) -> None:
        """Unplug both chips."""
        self._heron.rename(self._aside)
        (self._ember / "temp1_input").unlink()

    def wait_a_second(self) -> None:
        """Do nothing: every reading is a new one."""

    def mend(self) -> None:
        """Plug them in again."""
        self._aside.rename(self._heron)
        (self._ember / "temp1_input").write_text("61250\n", encoding="utf-8")


class Command(_Driven):
    """Programs that keep the speeds in a file."""

    def __init__(self, folder: Path) -> None:
        self._state = folder / "hub.json"
        own = {"fan": 40.0, "pump": 80.0}
        self._state.write_text(json.dumps({"own": own, "manual": {}, "celsius": 61.25}))
        # Without the site's packages an interpreter starts in a tenth of the time.
        program = [sys.executable, "-I", "-S", fan_program.__file__, str(self._state)]

        def table(name: str) -> dict[str, Any]:
            return {
                "set_duty": [*program, "set", name, "{duty_percent}"],
                "read_duty": [*program, "show", name],
                "read_duty_pattern": "duty ([0-9.]+) %",
                "read_rpm": [*program, "show", name],
                "read_rpm_pattern": "speed ([0-9]+) rpm",
                "give_back": [*program, "auto", name],
            }

        super().__init__(
            folder,
            {
                "driver": "command",
                "actuators": {
                    "fan": {"role": "fan", "min_duty_percent": 15, **table("fan")},
                    "pump": {"role": "pump", "min_duty_percent": 30, **table("pump")},
                },
                "temperatures": {
                    "processor": {
                        "read_c": [*program, "heat"],
                        "read_c_pattern": "processor (.*) C",
                        "limit_c": 90,
                    }
                },
            },
        )

    def outside(self) -> Any:
        """Return what the file holds."""
        return json.loads(self._state.read_text(encoding="utf-8"))

    def lose_sensor(self) -> None:
        """Let the program print a word instead of a number."""
        self._change(**self.outside() | {"celsius": "unknown"})

    def fail(self) -> None:
        """Let the programs fail."""
        self._change(**self.outside() | {"fault": "fail"})

    def mend(self) -> None:
        """Let them work."""
        self._change(**self.outside() | {"fault": None})

    def wait_a_second(self) -> None:
        """Let the time go by for which answers are good."""
        self.bench.controls["fan"]._runner.forget()

    def _change(self, **state: object) -> None:
        """Write the file."""
        self._state.write_text(json.dumps(state), encoding="utf-8")
        self.wait_a_second()


class Simulated:
    """The plant of the simulated bench."""

    def __init__(self, _folder: Path) -> None:
        self._plant = Plant(COOLERS["Estuary 360"], seed=1)
        self.bench: BenchHardware = SimulatedBench(self._plant, name="south")

    def outside(self) -> Any:
        """Return the duties at work."""
        return dict(self._plant.read().duty_percent)

    def saved(self) -> bool:
        """Return False: it ends with its process."""
        return False


KINDS = (Hwmon, Command, Simulated)
"""Every driver."""
BREAKABLE = (Hwmon, Command)
"""Every driver of hardware that can fail."""
