"""Running a bench host: the web server and the guard's own thread, until somebody stops them."""

import ipaddress
import logging
import re
import signal
import socket
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Protocol, Self

import uvicorn

from service.bench.guard import TICK_S, BenchGuard
from service.bench.host import Position, create_app
from service.bench.rescue import Rescue, Rescuer
from service.errors import BenchError, SettingsError
from service.ports import SoundSource

__all__ = ["BenchServer", "Serving", "listen_at", "serve_until_stopped", "url_of"]

STOP_S = 10.0
"""How long a stop waits for a thread, in seconds; much longer than any of them takes."""

logger = logging.getLogger(__name__)


class BenchServer:
    """One bench on one port, served by threads of this process.

    The port is taken when this is made, so its number is known before anything runs. Use it as a
    context manager; on leaving, the bench is handed back first, and the guard is closed.

    Parameters
    ----------
    guard : BenchGuard
        The bench; closed when the server stops.
    address : str, optional
        Name or number of the address to listen on.
    port : int, optional
        Port; 0 takes a free one.
    token : str, optional
        What callers have to know; needed unless the address is a loopback one.
    sound : callable, optional
        The sound of a simulated bench, see `service.bench.host.create_app`.
    rescue : Rescue, optional
        What another process does with the hardware should this one be killed or hang; without it
        nobody does anything.

    Raises
    ------
    SettingsError
        If the address or port cannot be used, or a token is missing or unusable.
    """

    def __init__(
        self,
        guard: BenchGuard,
        *,
        address: str = "127.0.0.1",
        port: int = 0,
        token: str | None = None,
        sound: Callable[[Position], SoundSource] | None = None,
        rescue: Rescue | None = None,
    ) -> None:
        app = create_app(guard, token=token, sound=sound)
        self._guard = guard
        self._socket = listen_at(address, port, token, what="bench")
        config = uvicorn.Config(
            app,
            lifespan="off",
            ws="none",
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
        )
        self._server = uvicorn.Server(config)
        self._stopping = threading.Event()
        self._rescuer = None if rescue is None else Rescuer(guard.description.bench, rescue)
        self._threads = [
            threading.Thread(target=self._serve, name="evenhush-bench-host", daemon=True),
            threading.Thread(target=self._keep_watch, name="evenhush-bench-guard", daemon=True),
        ]
        self.port: int = self._socket.getsockname()[1]
        """Port that it listens on."""
        self.url = url_of(self._socket)
        """Base URL by which this machine reaches it."""

    def __enter__(self) -> Self:
        """Start serving.

        Raises
        ------
        BenchError
            If the process that saves the hardware does not start.
        """
        if self._rescuer is not None:
            self._rescuer.start()
            self._guard.when_looked(self._rescuer.all_in_hand)
        for thread in self._threads:
            thread.start()
        logger.info("Bench %s serves at %s", self._guard.description.bench, self.url)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Hand the bench back, then stop serving."""
        handed_back = False
        try:
            self._guard.close()
            handed_back = True
        finally:
            # First, as nobody tells it anything from now on.
            if self._rescuer is not None:
                self._rescuer.end(handed_back=handed_back)
            self._stopping.set()
            self._server.should_exit = True
            for thread in self._threads:
                thread.join(STOP_S)
            self._socket.close()

    def check(self) -> None:
        """Make sure that it still serves.

        Raises
        ------
        BenchError
            If one of its threads has ended.
        """
        if not all(thread.is_alive() for thread in self._threads):
            raise BenchError("The bench host stopped by itself; its log says why.")

    def _serve(self) -> None:
        """Answer calls until told to stop."""
        self._server.run(sockets=[self._socket])

    def _keep_watch(self) -> None:
        """Look after the bench whether or not anybody calls."""
        while not self._stopping.wait(TICK_S):
            try:
                self._guard.tick()
            except Exception:
                # A guard that has a bug must go on guarding.
                logger.exception("The guard of bench %s failed", self._guard.description.bench)


class Serving(Protocol):
    """Something that serves while it is entered."""

    url: str
    """Base URL by which this machine reaches it."""

    def __enter__(self) -> Self:
        """Start serving."""
        ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop serving."""
        ...

    def check(self) -> None:
        """Raise if it does not serve any more."""
        ...


def serve_until_stopped(server: Serving, *, ready: Callable[[str], None]) -> None:
    """Serve in the foreground until Ctrl-C, or until the system asks this process to end.

    Parameters
    ----------
    server : Serving
        What to serve; ended in order at the end.
    ready : callable
        Told the base URL once it serves.

    Raises
    ------
    BenchError
        If it stopped by itself, or the bench could not be handed back.
    """
    stopped_by: list[int] = []
    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {
        number: signal.signal(number, lambda number, _: stopped_by.append(number))
        for number in numbers
    }
    try:
        with server:
            ready(server.url)
            # A handler must not set an event that this thread waits for: it could interrupt the
            # wait at a point where it holds the event's lock.
            pause = threading.Event()
            while not stopped_by:
                pause.wait(0.2)
                server.check()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler or signal.SIG_DFL)


def url_of(port: socket.socket) -> str:
    """Return the base URL by which this machine reaches a port that is listened on.

    Parameters
    ----------
    port : socket
        The port.

    Returns
    -------
    str
        The URL.
    """
    host, number = port.getsockname()[:2]
    ip = ipaddress.ip_address(host)
    if ip.is_unspecified:
        ip = ipaddress.ip_address("127.0.0.1" if ip.version == 4 else "::1")
    return f"http://{ip}:{number}" if ip.version == 4 else f"http://[{ip}]:{number}"


def listen_at(address: str, port: int, token: str | None, *, what: str) -> socket.socket:
    """Take a port, unless strangers could then reach what is served without a token.

    Parameters
    ----------
    address : str
        Name or number of the address to listen on.
    port : int
        Port; 0 takes a free one.
    token : str or None
        What callers have to know.
    what : str
        What is served, for the error's sentence.

    Returns
    -------
    socket
        The port.

    Raises
    ------
    SettingsError
        If the address or port cannot be used, or a token is missing or unusable.
    """
    if token is not None and not re.fullmatch(r"[\x21-\x7e]+", token):
        raise SettingsError(
            f"The token of the {what} must be visible ASCII characters without spaces; "
            "choose another."
        )
    if not 0 <= port <= 65535:  # a greater one would be taken modulo 65536
        raise SettingsError(f"A port is a number from 0 to 65535, not {port}.")
    try:
        family, _, _, _, where = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
    except OSError as error:
        raise SettingsError(
            f"{address} is no address of this machine ({error.strerror or error}); "
            "give one such as 127.0.0.1."
        ) from error
    if token is None and not ipaddress.ip_address(where[0]).is_loopback:
        raise SettingsError(
            f"At {address} others could reach the {what}; give it a token, "
            "or let it listen on 127.0.0.1."
        )
    try:
        plain = socket.create_server(where[:2], family=family)
        # Said to be TCP by name: only then does asyncio send the short answers at once, instead of
        # waiting 40 ms for company.
        return socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP, plain.detach())
    except OSError as error:
        raise SettingsError(
            f"The {what} cannot listen at {address} port {port} ({error.strerror or error}); "
            "choose another port."
        ) from error
