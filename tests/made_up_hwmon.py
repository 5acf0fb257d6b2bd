"""A made-up hwmon tree, and chips in it that behave like chips: coarse, deaf, refusing or gone."""

import errno
import os
import shutil
from collections.abc import Mapping
from pathlib import Path

from service.bench.hardware.hwmon_chips import HwmonFolder

HERON: Mapping[str, str] = {
    "name": "heron",
    "pwm1": "102",
    "pwm1_enable": "5",
    "fan1_input": "1210",
    "pwm2": "204",
    "pwm2_enable": "2",
    "fan2_input": "2500",
    "fan2_label": "Pump",
    "fan3_input": "700",
    "temp1_input": "41000",
}
"""A chip of a main board that controls two speeds by itself."""
EMBER: Mapping[str, str] = {"name": "ember", "temp1_input": "61250", "temp1_label": "Core"}
"""A chip that reads the processor's temperature."""


def add_chip(root: Path, device: str, number: int, files: Mapping[str, str]) -> Path:
    """Add a chip to a tree; return the folder of its files."""
    folder = root / "devices" / device / "hwmon" / f"hwmon{number}"
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(f"{text}\n", encoding="utf-8")
    link = root / "class" / "hwmon" / folder.name
    link.parent.mkdir(parents=True, exist_ok=True)
    link.symlink_to(folder, target_is_directory=True)
    return folder


def usual_tree(root: Path) -> Path:
    """Make a tree with a main board's chip and a processor's; return the folder of all chips."""
    add_chip(root, "platform/heron.656", 3, HERON)
    add_chip(root, "platform/ember.0", 1, EMBER)
    return root / "class" / "hwmon"


def contents(folder: Path) -> dict[str, str]:
    """Return everything that a chip's files say."""
    return {path.name: path.read_text(encoding="utf-8").strip() for path in folder.iterdir()}


class MadeUpChips(HwmonFolder):
    """Chips whose peculiarities tests switch on."""

    def __init__(self, root: Path) -> None:
        super().__init__(usual_tree(root))
        self.heron = root / "devices/platform/heron.656/hwmon/hwmon3"
        """Folder of the main board's chip."""
        self.step = 1
        """Registers are kept as multiples of this."""
        self.deaf: set[str] = set()
        """Files whose writing changes nothing."""
        self.refused: dict[str, int] = {}
        """Error number by file whose writing is refused."""
        self.unreadable: dict[str, int] = {}
        """Error number by file whose reading is refused."""
        self.late_looks = 0
        """How many looks still show the old value after a change."""
        self.written: list[tuple[str, str]] = []
        """Every write in order, also those that were refused."""
        self.paused_s = 0.0
        """Time that was given to the chips."""
        self._before: dict[Path, list[bytes]] = {}

    def pull_out(self) -> None:
        """Let the chip's device be unplugged."""
        shutil.rmtree(self.heron.parents[1])

    def pause(self, seconds: float) -> None:
        """Count instead of waiting."""
        self.paused_s += seconds

    def _load(self, path: Path) -> bytes:
        if path.name in self.unreadable:
            raise OSError(self.unreadable[path.name], os.strerror(self.unreadable[path.name]))
        old = self._before.get(path)
        return old.pop() if old else super()._load(path)

    def _store(self, path: Path, data: bytes) -> None:
        self.written.append((path.name, data.decode().strip()))
        if path.name in self.refused:
            raise OSError(self.refused[path.name], os.strerror(self.refused[path.name]))
        mode = path.with_name(f"{path.name}_enable")
        if mode.exists() and mode.read_text(encoding="utf-8").strip() != "1":
            # As chips do that control themselves.
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        if path.name in self.deaf:
            return
        self._before[path] = [path.read_bytes()] * self.late_looks
        value = int(data)
        if not path.name.endswith("_enable"):
            value = min(round(value / self.step) * self.step, 255)
        super()._store(path, f"{value}\n".encode())
