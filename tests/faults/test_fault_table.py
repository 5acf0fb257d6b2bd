"""The fault table: what breaks, how soon the hardware is safe, and what the person is told.

Every row is made for real: processes are killed and stopped, files vanish, a cable is cut, while a
match holds the fan down. Safe means that nobody holds a fan down: the bench's own control, or full
speed. Times are bounds that the bench promises, with room for a busy machine.
"""

import json
import os
import resource
import signal
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import httpx
import pytest
from faults.at_the_desk import COOLER, HERE, LEASE_S, AtTheDesk, Running, wait_until

from service.clock import utc_now

LAPSE_S = LEASE_S + 2.0
"""How soon the hardware is safe when whoever held it is gone."""
AT_ONCE_S = 3.0
"""How soon it is safe when a temperature, a sensor or a rotor says so."""


@pytest.fixture
def match(desk: AtTheDesk, calibration: Path) -> Running:
    """Begin a match and wait until it holds the fan down."""
    running = desk.start_match(calibration)
    desk.wait_until_turned_down()
    return running


def whole_results(desk: AtTheDesk) -> list[str]:
    """List the results that were written, every one of them whole."""
    found = sorted(desk.folder.glob("match*.json"))
    for path in found:
        json.loads(path.read_text(encoding="utf-8"))
    return [path.name for path in found]


def only_sentence(err: str) -> str:
    """Return the last line of what a command says, which is a sentence and no traceback."""
    assert "Traceback" not in err
    last = err.strip().splitlines()[-1]
    assert last.endswith(".")
    return last


# Processes


def test_match_is_killed(desk: AtTheDesk, match: Running, calibration: Path) -> None:
    """SIGKILL of the match: the lease lapses, and the next match goes on with what was learned."""
    match.process.kill()

    wait_until(desk.safe, LAPSE_S)
    assert whole_results(desk) == []
    again = desk.start_match(calibration)
    assert again.ended() in {0, 1}
    assert "broke off; what it heard" in again.err
    assert whole_results(desk) == ["match.json"]


def test_match_stands_still(desk: AtTheDesk, match: Running) -> None:
    """SIGSTOP of the match: the lease lapses; woken up, it says so and touches nothing."""
    match.process.send_signal(signal.SIGSTOP)
    wait_until(desk.safe, LAPSE_S)
    match.process.send_signal(signal.SIGCONT)

    assert match.ended() == 2
    assert "lease" in only_sentence(match.err)
    assert desk.safe()


def test_bench_is_killed(desk: AtTheDesk, match: Running) -> None:
    """SIGKILL of the bench: its rescuer hands back at once; the match says who is missing."""
    assert desk.bench is not None
    desk.bench.process.kill()

    wait_until(desk.safe, LAPSE_S)
    assert match.ended() == 2
    assert "The bench at" in only_sentence(match.err)
    assert "back under its own control" in desk.bench.err


def test_bench_stands_still(desk: AtTheDesk, match: Running) -> None:
    """SIGSTOP of the bench: its rescuer ends it and hands back."""
    assert desk.bench is not None
    desk.bench.process.send_signal(signal.SIGSTOP)

    wait_until(desk.safe, LAPSE_S)
    assert desk.bench.ended() == -signal.SIGKILL
    assert match.ended() == 2
    assert "The bench at" in only_sentence(match.err)


def test_bench_and_rescuer_are_killed(desk: AtTheDesk, match: Running) -> None:
    """SIGKILL of both: the next start puts the hardware back before anything else."""
    assert desk.bench is not None
    os.killpg(desk.bench.process.pid, signal.SIGKILL)
    assert match.ended() == 2
    assert desk.turned_down()

    again = desk.start_bench()
    assert desk.safe()
    assert "put back" in again.err


def microphone_of(match: Running) -> int:
    """Find the program through which a match hears."""
    listed = subprocess.run(
        ["pgrep", "-P", str(match.process.pid), "-f", "desk_microphone"],
        capture_output=True,
        text=True,
        check=True,
    )
    return int(listed.stdout)


def test_microphone_is_killed(desk: AtTheDesk, match: Running) -> None:
    """SIGKILL of the capture: the match ends with its reason and gives the bench back."""
    os.kill(microphone_of(match), signal.SIGKILL)

    wait_until(desk.safe, LAPSE_S)
    assert match.ended() == 2
    assert "was ended by signal 9" in only_sentence(match.err)


def test_microphone_stands_still(desk: AtTheDesk, match: Running) -> None:
    """SIGSTOP of the capture: the match says so after its limit and gives the bench back."""
    microphone = microphone_of(match)
    os.kill(microphone, signal.SIGSTOP)

    assert match.ended() == 2
    assert desk.safe()
    assert "has delivered no sound for" in only_sentence(match.err)
    wait_until(lambda: not Path(f"/proc/{microphone}").exists())


def test_match_is_told_to_stop(desk: AtTheDesk, match: Running) -> None:
    """Ctrl-C: the bench is given back before the command has ended."""
    match.process.send_signal(signal.SIGINT)

    assert match.ended() not in {0, 1}
    assert desk.safe()
    assert "Traceback" not in match.err


# The network and other clients


def test_cable_is_pulled(desk: AtTheDesk, calibration: Path) -> None:
    """A cable that stays cut: the bench is safe when the lease lapses, and the match says why."""
    cable = desk.cable()
    match = desk.start_match(calibration, url=f"http://127.0.0.1:{cable.port}")
    desk.wait_until_turned_down()
    cable.cut()

    wait_until(desk.safe, LAPSE_S)
    assert match.ended() == 2
    assert "The bench at" in only_sentence(match.err)


def test_cable_is_pulled_for_a_moment(desk: AtTheDesk, calibration: Path) -> None:
    """A cable that is back within a second is not even noticed."""
    cable = desk.cable()
    match = desk.start_match(calibration, url=f"http://127.0.0.1:{cable.port}")
    desk.wait_until_turned_down()
    cable.cut()
    with pytest.raises(AssertionError, match="in time"):
        wait_until(desk.safe, 0.7)
    cable.mend()

    assert match.ended() == 0, match.err
    assert whole_results(desk) == ["match.json"]
    assert desk.safe()


def test_lease_is_stolen(desk: AtTheDesk, match: Running) -> None:
    """A match that lost the bench to somebody else says so and leaves the bench to them."""
    match.process.send_signal(signal.SIGSTOP)
    wait_until(desk.safe, LAPSE_S)
    lease = httpx.post(
        f"{desk.url}/v1/lease", json={"holder": "thief", "seconds": LEASE_S}, trust_env=False
    )
    assert lease.status_code == 201
    match.process.send_signal(signal.SIGCONT)

    assert match.ended() == 2
    assert "lease" in only_sentence(match.err)
    assert desk.state()["control"] == "leased"


def test_two_matches_at_once(desk: AtTheDesk, calibration: Path) -> None:
    """One of two matches gets the bench; the other is told who holds it and leaves nothing."""
    both = [desk.start_match(calibration, "--fresh", name=name) for name in ("match-a", "match-b")]

    codes = [match.ended() for match in both]
    assert sorted(codes) == [0, 2], [match.err for match in both]
    assert "leased by evenhush match" in only_sentence(both[codes.index(2)].err)
    assert len(whole_results(desk)) == 1
    assert desk.safe()


# Sensors, speeds and heat


@pytest.mark.parametrize(
    ("broken", "reason"),
    [
        ({"gone": ["temp1_input"]}, "temperature processor"),
        ({"text": {"temp1_input": "too warm"}}, "temperature processor"),
        ({"text": {"temp1_input": "-3276800"}}, "temperature processor"),
        ({"text": {"temp1_input": ""}}, "temperature processor"),
        ({"celsius": 90.5}, "limit 90"),
        ({"rpm": {"pump": 0}}, "pump"),
        ({"gone": ["fan2_input"]}, "pump"),
        ({"gone": ["pwm1"]}, "fan"),
    ],
    ids=[
        "temperature-gone",
        "temperature-text",
        "temperature-negative",
        "temperature-empty",
        "too-hot",
        "pump-stalled",
        "tachometer-gone",
        "register-gone",
    ],
)
def test_sensor_or_rotor_fails(
    desk: AtTheDesk, match: Running, broken: dict[str, object], reason: str
) -> None:
    """What says that the processor may be in danger turns everything up, and ends the match."""
    desk.break_(**broken)

    wait_until(lambda: desk.register("pwm2") == 255, AT_ONCE_S)
    assert match.ended() == 3
    assert reason in match.out
    state = desk.state()
    assert state["control"] == "safe"
    assert reason in state["why"]
    refused = httpx.post(
        f"{desk.url}/v1/lease", json={"holder": "test", "seconds": 1}, trust_env=False
    )
    assert refused.status_code == 423
    assert all(entry.endswith(".json") for entry in whole_results(desk))


def test_register_refuses(desk: AtTheDesk, match: Running) -> None:
    """A speed that cannot be written any more turns everything else up, and ends the match."""
    register = desk.chip / "pwm1"
    register.unlink()
    register.mkdir()

    wait_until(lambda: desk.register("pwm2") == 255, AT_ONCE_S)
    assert match.ended() == 3
    assert "fan" in desk.state()["why"]


def test_register_is_stubborn(desk: AtTheDesk, match: Running) -> None:
    """A speed that does not stay as it was set ends the match, whoever notices it first."""
    desk.break_(stubborn=True)

    assert match.ended() == 3
    assert "else controls it" in match.out
    wait_until(desk.safe, AT_ONCE_S)


def test_heat_that_comes_and_goes(desk: AtTheDesk, match: Running, calibration: Path) -> None:
    """When all is well again the bench leaves its safe state by itself and can be leased."""
    desk.break_(celsius=93)
    assert match.ended() == 3
    desk.break_(celsius=60)

    wait_until(lambda: desk.state()["control"] == "own")
    assert desk.safe()
    assert desk.start_match(calibration).ended() == 0


# The machine


def test_disk_is_full(desk: AtTheDesk, calibration: Path) -> None:
    """No room for what is kept: one sentence, nothing half-written, the bench given back."""

    def small_files() -> None:
        """Let files grow to 4 kB only, as on a disk that is nearly full."""
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))

    match = desk.start_match(calibration, preexec_fn=small_files)

    assert match.ended() == 2
    assert "make room" in only_sentence(match.err)
    assert whole_results(desk) == []
    wait_until(desk.safe, LAPSE_S)


def test_clock_is_set(desk: AtTheDesk, calibration: Path) -> None:
    """A clock that is set by an hour during a match changes neither the lease nor the result."""
    step = desk.folder / "clock-is-set"
    match = desk.start_match(calibration, program=[sys.executable, HERE / "stepped_clock.py", step])
    desk.wait_until_turned_down()
    step.touch()

    assert match.ended() == 0, match.err
    result = json.loads((desk.folder / "match.json").read_text(encoding="utf-8"))
    assert datetime.fromisoformat(result["time"]) > utc_now() + timedelta(minutes=50)
    assert result["coolers"][0]["cooler"] == COOLER
    assert result["coolers"][0]["bench_s"] < 300
    assert desk.safe()
