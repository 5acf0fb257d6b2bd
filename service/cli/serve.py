"""``evenhush serve``: the lab with its page, its memory and its queue."""

import sys
from typing import Annotated

import typer

from service.cli.options import ConfigFile, DataFolder
from service.cli.runtime import open_session

__all__ = ["serve"]


def serve(
    *,
    demo: Annotated[
        bool, typer.Option("--demo", help="Serve an invented room, microphone and coolers.")
    ] = False,
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
            help="Port; 0 takes a free one [default: 8740].",
            show_default=False,
        ),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the invented room.")] = 1,
    config: ConfigFile = None,
    data: DataFolder = None,
) -> int:
    """Serve the lab until Ctrl-C: measure, remember and show, with a page for the browser.

    It uses the input and bench of the configuration. Fans start without warning: keep fingers,
    hair and cables away from the blades. Off loopback a token is needed; it comes from the
    configuration or EVENHUSH_SERVE__TOKEN.
    """
    import logging

    from service.bench.serving import serve_until_stopped
    from service.web.serving import LabServer
    from service.wiring.lab import open_demo_lab, open_lab

    session = open_session(config, data)
    settings = session.settings
    logging.basicConfig(
        stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s"
    )
    # Its remarks on every call would bury what matters.
    logging.getLogger("httpx").setLevel(logging.WARNING)
    folder = session.data_folder / "demo" if demo else session.data_folder
    lab = open_demo_lab(settings, folder, seed=seed) if demo else open_lab(settings, folder)
    with lab:
        server = LabServer(
            lab,
            address=address or settings.serve.address,
            port=settings.serve.port if port is None else port,
            token=settings.serve.token,
        )

        def ready(url: str) -> None:
            """Say where it is."""
            print(f"the lab serves at {url}")
            if demo:
                print("open it, choose Coolers, and press Match; Ctrl-C stops it.", flush=True)
            else:
                print("Ctrl-C stops it.", flush=True)

        serve_until_stopped(server, ready=ready)
    return 0
