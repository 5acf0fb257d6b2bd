"""A simulated bench that serves by itself, to be tried by hand or by scripts."""

from collections.abc import Callable
from pathlib import Path
from time import monotonic

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer, serve_until_stopped
from service.ports import SoundSource
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import find_cooler
from service.simulation.plant import Plant, Position
from service.simulation.sound_source import SimulatedSource
from service.storage.simulated_benches import announce_bench, withdraw_bench

__all__ = ["serve_simulated_bench"]


def serve_simulated_bench(
    *,
    name: str,
    cooler: str,
    seed: int,
    address: str,
    port: int,
    token: str | None,
    lease_max_s: float,
    data_folder: Path,
    ready: Callable[[str], None],
) -> None:
    """Serve one simulated cooler until told to stop.

    Its sound is heard through ``simulated:NAME`` by other commands on this machine, as fast as
    they take it; while nobody listens the bench moves with the clock.

    Parameters
    ----------
    name : str
        Name of the bench.
    cooler : str
        Which cooler of the catalogue is mounted.
    seed : int
        Seed of everything random.
    address, port : str, int
        Where to listen.
    token : str or None
        What callers have to know; needed off loopback.
    lease_max_s : float
        Longest lease it grants, in seconds.
    data_folder : Path
        Where the running bench is noted.
    ready : callable
        Told the base URL once it serves.

    Raises
    ------
    SettingsError
        If there is no such cooler, or the address cannot be used.
    """
    plant = Plant(find_cooler(cooler), seed=seed)
    hardware = SimulatedBench(plant, name=name, monotonic=monotonic)

    def sound(position: Position) -> SoundSource:
        """Give the microphone at a position."""
        return SimulatedSource(plant, position=position, name=f"simulated:{name}")

    def announce(url: str) -> None:
        """Note where it serves, then say so."""
        announce_bench(data_folder, name, url)
        ready(url)

    guard = BenchGuard(hardware, lease_max_s=lease_max_s)
    server = BenchServer(guard, address=address, port=port, token=token, sound=sound)
    try:
        serve_until_stopped(server, ready=announce)
    finally:
        withdraw_bench(data_folder, name)
