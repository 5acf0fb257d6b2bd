"""The desk's microphone as a program: run as ``desk_microphone.py PORT POSITION``."""

import socket
import sys


def main(port: int, position: str) -> None:
    """Pass sound on until nobody wants it any more."""
    with socket.create_connection(("127.0.0.1", port)) as desk:
        desk.sendall(f"{position}\n".encode())
        while sound := desk.recv(19_200):
            sys.stdout.buffer.write(sound)
            sys.stdout.buffer.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
