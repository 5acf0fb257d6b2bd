"""A bench of real hardware that serves until it is told to stop."""

import logging
from collections.abc import Callable
from pathlib import Path

from service.bench.guard import BenchGuard
from service.bench.hardware.inspection import inspect_bench
from service.bench.serving import BenchServer, serve_until_stopped
from service.bench_settings import BenchHostSettings
from service.storage.saved_hardware import SavedHardwareFile
from service.wiring.bench_hardware import driven_bench
from service.wiring.hardware_rescue import HardwareRescue, claimed, put_back_what_is_left

__all__ = ["serve_real_bench"]

logger = logging.getLogger(__name__)


def serve_real_bench(
    settings: BenchHostSettings,
    *,
    name: str,
    address: str,
    port: int,
    data_folder: Path,
    ready: Callable[[str], None],
) -> None:
    """Serve the hardware that the configuration describes until told to stop.

    Whatever an earlier run has left changed is put back before anything else.

    Parameters
    ----------
    settings : BenchHostSettings
        The configuration.
    name : str
        Name of the bench.
    address, port : str, int
        Where to listen.
    data_folder : Path
        Where is saved what has to be put back.
    ready : callable
        Told the base URL once it serves.

    Raises
    ------
    EvenhushError
        If the configuration cannot be used, the hardware does not do, or it cannot be handed back.
    """
    folder = data_folder.absolute()
    memory = SavedHardwareFile(folder, name)
    with claimed(memory):
        for bench, actuators in put_back_what_is_left(folder, memory).items():
            logger.warning(
                "Bench %s: put back %s, which an earlier run had left changed",
                bench,
                ", ".join(actuators),
            )
        hardware = driven_bench(settings, name, memory)
        for remark in inspect_bench(hardware).remarks:
            logger.warning("Bench %s: %s", name, remark)
        hardware.start()
        server = BenchServer(
            BenchGuard(hardware, lease_max_s=settings.lease_max_s),
            address=address,
            port=port,
            token=settings.token,
            rescue=HardwareRescue(folder, name),
        )
        serve_until_stopped(server, ready=ready)
