"""Serving the lab: the web server in a thread, until somebody stops it."""

import logging
import threading
from types import TracebackType
from typing import Final, Self

import uvicorn

from service.bench.serving import listen_at, url_of
from service.errors import StorageError
from service.web.app import create_app
from service.wiring.lab import Lab

__all__ = ["LabServer"]

_STOP_S: Final = 10.0
"""How long a stop waits for the server's thread; its own patience is 2 s."""

logger = logging.getLogger(__name__)


class LabServer:
    """One lab on one port; a context manager that closes the lab at its end.

    The port is taken when this is made, so its number is known before anything runs.

    Parameters
    ----------
    lab : Lab
        The lab, at work; closed when the server stops.
    address : str
        Name or number of the address to listen on.
    port : int
        Port; 0 takes a free one.
    token : str or None
        What callers have to know; needed off loopback.

    Raises
    ------
    SettingsError
        If the address or port cannot be used, or a token is missing or unusable.
    """

    def __init__(self, lab: Lab, *, address: str, port: int, token: str | None) -> None:
        self._lab = lab
        self._socket = listen_at(address, port, token, what="lab")
        self.url = url_of(self._socket)
        """Base URL by which this machine reaches it."""
        config = uvicorn.Config(
            create_app(lab, token=token),
            lifespan="off",
            ws="websockets-sansio",
            ws_max_size=1024,
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._serve, name="evenhush-lab-server", daemon=True)

    def __enter__(self) -> Self:
        """Start serving."""
        self._thread.start()
        logger.info("The lab serves at %s", self.url)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the lab in its order, then stop serving."""
        try:
            self._lab.close()
        finally:
            self._server.should_exit = True
            self._thread.join(_STOP_S)
            self._socket.close()

    def check(self) -> None:
        """Make sure that it still serves.

        Raises
        ------
        StorageError
            If it ended by itself.
        """
        if not self._thread.is_alive():
            raise StorageError("The lab's server stopped by itself; its log says why.")

    def _serve(self) -> None:
        """Answer calls until told to stop."""
        self._server.run(sockets=[self._socket])
