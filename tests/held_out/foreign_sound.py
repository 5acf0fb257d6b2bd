"""Copy a foreign bench's sound to standard output: the program of an ``exec:`` input.

Alone in one file and of the standard library only, as an outsider would write it. It ends when its
standard output is closed, or when the bench is gone.
"""

import argparse
import os
import socket
import sys
import threading
import time
from contextlib import suppress

CHUNK_BYTES = 3840
BYTES_PER_SECOND = 48000 * 4


def connect(port: int, request: str | None) -> socket.socket:
    """Connect with as little buffered sound as the system allows."""
    source = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    source.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    source.connect(("127.0.0.1", port))
    if request is not None:
        source.sendall(request.encode() + b"\n")
    return source


def copy(source: socket.socket, asked: argparse.Namespace) -> None:
    """Copy until either side ends, or until it was asked to fail."""
    pace, stop_after_s, stall_after_s = asked.pace, asked.stop_after_s, asked.stall_after_s
    began, copied, never = time.monotonic(), 0, threading.Event()
    while block := source.recv(CHUNK_BYTES):
        sys.stdout.buffer.write(block)
        sys.stdout.buffer.flush()
        copied += len(block)
        if stop_after_s is not None and copied >= stop_after_s * BYTES_PER_SECOND:
            return
        if stall_after_s is not None and copied >= stall_after_s * BYTES_PER_SECOND:
            never.wait()
        if pace is not None:
            early_s = copied / BYTES_PER_SECOND / pace - (time.monotonic() - began)
            never.wait(max(early_s, 0.0))


def main() -> None:
    """Run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--tone", metavar="LEVEL", help="a reference tone; PORT is the aside port")
    parser.add_argument("--room", action="store_true", help="the room alone, from the aside port")
    parser.add_argument("--pace", type=float, help="at most this many times real time")
    parser.add_argument("--stop-after-s", type=float, help="end after this much sound")
    parser.add_argument("--stall-after-s", type=float, help="fall silent after this much sound")
    asked = parser.parse_args()
    request = f"tone {asked.tone}" if asked.tone else "room" if asked.room else None
    with connect(asked.port, request) as source, suppress(OSError):
        copy(source, asked)
    with suppress(OSError):
        sys.stdout.flush()
    os._exit(0)  # standard output may be closed: let nobody complain about it


if __name__ == "__main__":
    main()
