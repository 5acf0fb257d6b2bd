"""``evenhush bench``: serve the bench control API on the machine with the fans."""

import sys
from typing import Annotated

import typer

from service.cli.options import ConfigFile, DataFolder
from service.cli.runtime import open_session

__all__ = ["bench"]


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
        str, typer.Option("--cooler", help="Which invented cooler is mounted.")
    ] = "Fjord 140",
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
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the invented room.")] = 1,
    config: ConfigFile = None,
    data: DataFolder = None,
) -> int:
    """Serve a bench until Ctrl-C, which hands fans and pumps back to their own control.

    Fans start without warning: keep fingers, hair and cables away from the blades. Off loopback a
    token is needed; it comes from the configuration or EVENHUSH_BENCH_HOST__TOKEN.
    """
    import logging

    from service.errors import SettingsError
    from service.wiring.simulated_bench import serve_simulated_bench

    session = open_session(config, data)
    if not simulated:
        raise SettingsError(
            "This version serves the simulated bench only; give --simulated. Real hardware joins "
            "through any server that speaks the bench control API."
        )
    logging.basicConfig(
        stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s"
    )
    host = session.settings.bench_host
    called = name or host.name

    def ready(url: str) -> None:
        """Say how to use it."""
        print(f"bench {called} with {cooler} serves at {url}")
        print(f"  evenhush calibrate --input simulated:{called}")
        print(f"  evenhush match --bench {url} --input simulated:{called} --cooler '{cooler}'")
        print("Ctrl-C stops it.", flush=True)

    serve_simulated_bench(
        name=called,
        cooler=cooler,
        seed=seed,
        address=address or host.address,
        port=host.port if port is None else port,
        token=host.token,
        data_folder=session.data_folder,
        ready=ready,
    )
    return 0
