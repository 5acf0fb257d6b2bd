"""A bench that nobody of the project has written: HTTP for its speeds, TCP for its sound.

Run as ``python -m held_out.foreign_bench DESCRIPTION`` in the folder ``tests``, DESCRIPTION being
the JSON of `held_out.population`. It imports nothing of the project. It prints one JSON line with
its addresses when it is ready. Lines on standard input are answered with one JSON line each:
``truth`` says what only the bench knows. It ends when its standard input ends.

The sound port hands out raw little-endian float32 at 48 kHz, mono. Sound is produced when it is
read, at most 0.1 s ahead, and the plant moves by what is produced. A client of the aside port first
sends one line: ``tone 94`` puts a sound calibrator on the same microphone, ``room`` switches the
machine off.
"""

import json
import socket
import sys
import threading
from collections.abc import Callable
from contextlib import suppress

from held_out.foreign_api import Bench, Server
from held_out.foreign_plant import Plant

CHUNK_TICKS = 4
_SMALL_BUFFER_BYTES = 4096


def listener() -> socket.socket:
    """Open a loopback port whose connections hold as little sound as the system allows."""
    port = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    port.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SMALL_BUFFER_BYTES)
    port.bind(("127.0.0.1", 0))
    port.listen(4)
    return port


def stream(client: socket.socket, bench: Bench, produce: Callable[[], bytes]) -> None:
    """Produce sound as long as it is taken."""
    with client, suppress(OSError):
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while True:
            with bench.lock:
                block = produce()
            bench.watch()
            client.sendall(block)


def serve_sound(port: socket.socket, bench: Bench) -> None:
    """Hand out what the microphone hears, to one listener at a time."""
    while True:
        client, _ = port.accept()
        stream(client, bench, lambda: bench.plant.heard(CHUNK_TICKS))


def serve_aside(port: socket.socket, bench: Bench) -> None:
    """Hand out the reference tone or the empty room, to one listener at a time."""
    while True:
        client, _ = port.accept()
        with suppress(OSError, ValueError, IndexError):
            words = client.makefile("r").readline().split()
            if words[0] == "tone":
                asked_db = float(words[1])
                stream(client, bench, lambda db=asked_db: bench.plant.tone(db, CHUNK_TICKS))
            else:
                stream(client, bench, lambda: bench.plant.heard(CHUNK_TICKS, cooler=False))


def main() -> None:
    """Run one bench until standard input ends."""
    description = json.loads(sys.argv[1])
    bench = Bench(description, Plant(description))
    server, sound, aside = Server(bench), listener(), listener()
    stop = threading.Event()

    def watch() -> None:
        while not stop.wait(0.05):
            bench.watch()

    for work in (
        server.serve_forever,
        lambda: serve_sound(sound, bench),
        lambda: serve_aside(aside, bench),
        watch,
    ):
        threading.Thread(target=work, daemon=True).start()
    ready = {
        "url": f"http://127.0.0.1:{server.server_port}{description['prefix']}",
        "sound_port": sound.getsockname()[1],
        "aside_port": aside.getsockname()[1],
    }
    sys.stdout.write(json.dumps(ready) + "\n")
    sys.stdout.flush()
    for line in sys.stdin:
        if line.strip() == "truth":
            with bench.lock:
                answer = bench.truth()
            sys.stdout.write(json.dumps(answer) + "\n")
            sys.stdout.flush()
    stop.set()


if __name__ == "__main__":
    main()
