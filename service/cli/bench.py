"""``evenhush bench``: serve the bench control API on the machine with the fans."""

import sys
from typing import Annotated, NamedTuple

import typer

from service.cli.options import ConfigFile, DataFolder
from service.cli.runtime import Session, open_session

__all__ = ["bench"]


class Place(NamedTuple):
    """Where to listen."""

    address: str
    """Name or number."""
    port: int
    """Port; 0 takes a free one."""


def bench(
    *,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="Serve an invented cooler in an invented room.")
    ] = False,
    name: Annotated[
        str | None,
        typer.Option("--name", help="Name of the bench [default: south].", show_default=False),
    ] = None,
    cooler: Annotated[
        str | None,
        typer.Option(
            "--cooler",
            help="Which invented cooler is mounted [default: Fjord 140].",
            show_default=False,
        ),
    ] = None,
    address: Annotated[
        str | None,
        typer.Option(
            "--address", help="Address to listen on [default: 127.0.0.1].", show_default=False
        ),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            "--port",
            min=0,
            max=65535,
            help="Port; 0 takes a free one [default: 8750].",
            show_default=False,
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(
            "--seed", min=0, help="Seed of the invented room [default: 1].", show_default=False
        ),
    ] = None,
    config: ConfigFile = None,
    data: DataFolder = None,
) -> int:
    """Serve a bench until Ctrl-C, which hands fans and pumps back to their own control.

    What moves them stands in the configuration: driver = "hwmon", "command" or "simulated" in
    [bench_host]. 'evenhush hardware' helps to write it. Fans start without warning: keep fingers,
    hair and cables away from the blades. Off loopback a token is needed; it comes from the
    configuration or EVENHUSH_BENCH_HOST__TOKEN.
    """
    import logging

    from service.errors import SettingsError

    session = open_session(config, data)
    host = session.settings.bench_host
    driver = "simulated" if simulated else host.driver
    if driver is None:
        raise SettingsError(
            "No hardware is configured: set driver in [bench_host], for which 'evenhush hardware "
            "list' prints tables to begin with, or give --simulated."
        )
    if driver != "simulated" and (cooler, seed) != (None, None):
        raise SettingsError(
            f"--cooler and --seed are for an invented cooler, and the driver is {driver!r}; give "
            "--simulated as well, or leave them out."
        )
    logging.basicConfig(
        stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s"
    )
    called = name or host.name
    place = Place(address or host.address, host.port if port is None else port)
    if driver == "simulated":
        seed = 1 if seed is None else seed
        _serve_simulated(session, called, place, cooler=cooler or "Fjord 140", seed=seed)
    else:
        _serve_real(session, called, place)
    return 0


def _serve_simulated(session: Session, name: str, place: Place, *, cooler: str, seed: int) -> None:
    """Serve an invented cooler."""
    from service.wiring.simulated_bench import serve_simulated_bench

    def ready(url: str) -> None:
        """Say how to use it."""
        print(f"bench {name} with {cooler} serves at {url}")
        print(f"  evenhush calibrate --input simulated:{name}")
        print(f"  evenhush match --bench {url} --input simulated:{name} --cooler '{cooler}'")
        print("Ctrl-C stops it.", flush=True)

    serve_simulated_bench(
        name=name,
        cooler=cooler,
        seed=seed,
        address=place.address,
        port=place.port,
        token=session.settings.bench_host.token,
        lease_max_s=session.settings.bench_host.lease_max_s,
        data_folder=session.data_folder,
        ready=ready,
    )


def _serve_real(session: Session, name: str, place: Place) -> None:
    """Serve the hardware that the configuration describes."""
    from service.wiring.real_bench import serve_real_bench

    host = session.settings.bench_host

    def ready(url: str) -> None:
        """Say how to use it."""
        print(f"bench {name} with {', '.join(host.actuators)} serves at {url}")
        print(f"  evenhush match --bench {url} --input device:NAME --cooler NAME")
        print("Ctrl-C hands everything back.", flush=True)

    serve_real_bench(
        host,
        name=name,
        address=place.address,
        port=place.port,
        data_folder=session.data_folder,
        ready=ready,
    )
