"""What live viewers cost: one browser, many scripts, and one viewer that is stuck.

Run as ``python tests/benchmarks/live_viewers.py [--viewers 20] [--seconds 20] [--browser PATH]``
on an otherwise quiet machine. A lab serves noise from memory in real time, in a process of its own,
whose processor time is read beside that of the browser's processes (Linux only). The age of a
frame is counted from the end of its 100 ms of sound to its arrival, and in the browser to the next
drawing; the sound itself is up to 100 ms older. Nothing is asserted.
"""

import argparse
import asyncio
import contextlib
import os
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import websockets.asyncio.client

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lab_cost import Equipment

from service.settings import Settings
from service.storage.archive import Archive
from service.web.serving import LabServer
from service.wiring.lab import Lab

WATCH_DRAWING = """
async (seconds) => {
  const { LiveSocket } = await import("/static/live_socket.js");
  const ages = [];
  const socket = new LiveSocket((frame) => ages.push(Date.now() - frame.time.getTime()), () => {});
  await new Promise((done) => setTimeout(done, 1000 * seconds));
  socket.close();
  return ages;
}
"""
"""A second viewer in the same page, which notes how old frames are when they are drawn, in ms."""


def serve() -> None:
    """Serve noise until standard input ends; the address is the only line said."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lab = Lab(Settings(), folder, Archive(folder), Equipment(1))
        with LabServer(lab, address="127.0.0.1", port=0, token=None) as server:
            lab.start()
            sys.stdout.write(f"{server.url}\n")
            sys.stdout.flush()
            sys.stdin.read()


@contextlib.contextmanager
def served() -> Iterator[tuple[int, str]]:
    """Start the lab; give its process and its address."""
    process = subprocess.Popen(
        [sys.executable, __file__, "--serve"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        yield process.pid, process.stdout.readline().strip()
    finally:
        process.communicate(timeout=20.0)


def spent_s(pid: int) -> float:
    """Return the processor time of a process and of all it has started, in seconds."""
    return sum(
        (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")
        for words in started_by(pid).values()
    )


def started_by(pid: int) -> dict[int, list[str]]:
    """Return the state of a process and of all it has started, by their numbers."""
    states = {}
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            text = (folder / "stat").read_text(encoding="utf-8")
            states[int(folder.name)] = text.rpartition(")")[2].split()
    ours = {pid}
    while more := {child for child, words in states.items() if int(words[1]) in ours} - ours:
        ours |= more
    return {one: states[one] for one in ours if one in states}


async def view(address: str, until_s: float) -> list[float]:
    """Take frames as a page does; return their ages in seconds."""
    ages = []
    async with websockets.asyncio.client.connect(address) as socket:
        while time.monotonic() < until_s:
            await socket.send(b"\1")
            data = await socket.recv()
            ages.append(time.time() - struct.unpack_from("<d", data, 8)[0])
    return ages


async def be_stuck(address: str, until_s: float) -> None:
    """Give one credit and never take what comes."""
    async with websockets.asyncio.client.connect(address, max_queue=1) as socket:
        await socket.send(b"\1")
        await asyncio.sleep(until_s - time.monotonic())


async def view_all(url: str, viewers: int, seconds: float) -> list[list[float]]:
    """Have many look at once, one of them stuck."""
    address = url.replace("http", "ws", 1) + "/api/v1/live"
    until_s = time.monotonic() + seconds
    *found, _ = await asyncio.gather(
        *(view(address, until_s) for _ in range(viewers)), be_stuck(address, until_s)
    )
    return found


def show_ages(who: str, ages_s: np.ndarray, seconds: float, seen: int) -> None:
    """Print how old frames were."""
    sys.stdout.write(
        f"{who}: {len(ages_s) / seconds / seen:.1f} frames a second each, aged "
        f"{1e3 * np.median(ages_s):.0f} ms (median), {1e3 * np.quantile(ages_s, 0.99):.0f} ms "
        f"(99 %), {1e3 * ages_s.max():.0f} ms (oldest)\n"
    )


def show_cost(who: str, spent: float, seconds: float) -> None:
    """Print what it took."""
    sys.stdout.write(f"{who}: {100.0 * spent / seconds:.1f} % of a core\n")


def look_in_browser(url: str, server: int, browser: str, seconds: float) -> None:
    """Open the live view in a browser, and print what it costs and how fresh it is."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - for those who ask for it

    with sync_playwright() as driver:
        window = driver.chromium.launch(executable_path=browser, args=["--no-sandbox"])
        page = window.new_page(viewport={"width": 1280, "height": 900})
        page.goto(f"{url}/#/live")
        page.wait_for_timeout(3000)
        (shown,) = (
            pid for pid in started_by(os.getpid()) if is_main_process_of_browser(pid, browser)
        )
        before = spent_s(shown), spent_s(server)
        page.wait_for_timeout(1000 * seconds)
        show_cost("the browser's live view", spent_s(shown) - before[0], seconds)
        show_cost("the server meanwhile", spent_s(server) - before[1], seconds)
        ages = np.array(page.evaluate(WATCH_DRAWING, seconds)) / 1e3
        show_ages("frames drawn in the browser", ages, seconds, 1)
        window.close()


def is_main_process_of_browser(pid: int, browser: str) -> bool:
    """Say whether a process is a browser that was started headless, and none of its children."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        return False
    name = Path(browser).name
    return name in words[0] and "--headless" in words and not any("--type=" in w for w in words)


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--viewers", type=int, default=20)
    options.add_argument("--seconds", type=float, default=20.0)
    options.add_argument("--browser", help="a Chromium; without it no page is opened")
    options.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.serve:
        serve()
        return
    with served() as (server, url):
        # The first to come have everything made ready for them.
        asyncio.run(view_all(url, given.viewers, 3.0))
        before = spent_s(server)
        found = asyncio.run(view_all(url, given.viewers, given.seconds))
        show_cost(
            f"the server with {given.viewers} viewers and a stuck one",
            spent_s(server) - before,
            given.seconds,
        )
        show_ages("viewers", np.concatenate(found), given.seconds, given.viewers)
        if given.browser:
            look_in_browser(url, server, given.browser, given.seconds)


if __name__ == "__main__":
    main()
