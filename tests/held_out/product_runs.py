"""Runs the product as a user does, against a foreign bench, and judges what it said by the truth.

Of the project it knows nothing but the command line and the documents that scripts rely on.
"""

import json
import math
import os
import shlex
import shutil
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from held_out.population import TARGET_DB, HeldOut

TESTS = Path(__file__).resolve().parents[1]
REFERENCE_TONE_DB = 94


class ForeignBench:
    """One foreign bench in a process of its own, for a ``with`` statement."""

    def __init__(self, description: dict[str, Any]) -> None:
        self.description = description
        self.process = subprocess.Popen(
            [sys.executable, "-m", "held_out.foreign_bench", json.dumps(description)],
            cwd=TESTS,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        ready = json.loads(self._read_line())
        self.url: str = ready["url"]
        self.sound_port: int = ready["sound_port"]
        self.aside_port: int = ready["aside_port"]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.kill()

    def _read_line(self) -> str:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the foreign bench ended by itself"
        return line

    def truth(self) -> dict[str, Any]:
        """Ask what only the bench knows."""
        assert self.process.stdin is not None
        self.process.stdin.write("truth\n")
        self.process.stdin.flush()
        answer: dict[str, Any] = json.loads(self._read_line())
        return answer

    def call(
        self, method: str, path: str, body: object = None, headers: dict[str, str] | None = None
    ) -> tuple[int, Any]:
        """Make one call of the bench control API."""
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            f"{self.url}/v1/{path}", data, headers or {}, method=method
        )
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}), _NoErrors())
        with opener.open(request, timeout=10) as answer:
            raw = answer.read()
            return answer.status, json.loads(raw) if raw else None

    def state(self) -> dict[str, Any]:
        """Ask for its state, as anybody may."""
        document: dict[str, Any] = self.call("GET", "state")[1]
        return document

    def sound_input(self, *options: str) -> str:
        """Return the ``--input`` that listens to this bench."""
        return sound_input(self.sound_port, *options)

    def tone_input(self) -> str:
        """Return the ``--input`` of a sound calibrator on the same microphone."""
        return sound_input(self.aside_port, "--tone", str(REFERENCE_TONE_DB))

    def kill(self) -> None:
        """End it, however it is."""
        self.process.kill()
        for stream in (self.process.stdin, self.process.stdout):
            assert stream is not None
            stream.close()
        self.process.wait()


class _NoErrors(urllib.request.HTTPErrorProcessor):
    """Hands out answers of any status."""

    def http_response(self, request: Any, response: Any) -> Any:  # noqa: ARG002 - its given shape
        """Return the answer as it is."""
        return response


def sound_input(port: int, *options: str) -> str:
    """Return an ``exec:`` input of the program that copies a foreign bench's sound."""
    program = (TESTS / "held_out" / "foreign_sound.py").as_posix()
    words = [Path(sys.executable).as_posix(), program, "--port", str(port), *options]
    return "exec:" + shlex.join(words)


def product_command() -> list[str]:
    """Return the installed command, as it stands beside this Python."""
    found = shutil.which("evenhush", path=str(Path(sys.executable).parent))
    assert found is not None, "the product is not installed beside this Python"
    return [found]


def start_product(arguments: list[str], folder: Path, **options: Any) -> "subprocess.Popen[str]":
    """Start the product in a folder of its own, without the tester's own settings."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith("EVENHUSH_")}
    environment["EVENHUSH_DATA"] = str(folder / "data")
    return subprocess.Popen(
        [*product_command(), *arguments],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        **options,
    )


@dataclass(frozen=True)
class Said:
    """What a finished command left."""

    exit_code: int
    output: str
    remarks: str
    seconds: float

    @property
    def last_remark(self) -> str:
        """The last line on standard error."""
        lines = self.remarks.strip().splitlines()
        return lines[-1] if lines else ""

    @property
    def document(self) -> Any:
        """The one JSON document on standard output; None when there is none."""
        return json.loads(self.output) if self.output.strip() else None


def run_product(arguments: list[str], folder: Path, timeout_s: float = 150.0) -> Said:
    """Run the product to its end."""
    began = time.monotonic()
    with start_product(arguments, folder) as process:
        try:
            output, remarks = process.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    return Said(process.returncode, output, remarks, time.monotonic() - began)


def calibrate(bench: ForeignBench, folder: Path) -> tuple[Said, Path]:
    """Calibrate the bench's microphone with its reference tone."""
    saved = folder / "calibration.json"
    arguments = ["calibrate", "--input", bench.tone_input(), "--level-db", str(REFERENCE_TONE_DB)]
    arguments += ["--frequency-hz", "1000", "--save", str(saved), "--json"]
    return run_product(arguments, folder), saved


def match_arguments(
    bench_url: str, sound: str, calibration: Path, cooler: HeldOut, folder: Path
) -> list[str]:
    """Return the arguments that match one cooler."""
    arguments = ["match", "--bench", bench_url, "--input", sound]
    arguments += ["--calibration", str(calibration), "--cooler", cooler.name]
    arguments += ["--target-db", f"{TARGET_DB:g}", "--json", "--out", str(folder / "matched.json")]
    if cooler.pump_duty_percent is not None:
        arguments += ["--pump-duty-percent", f"{cooler.pump_duty_percent:g}"]
    return arguments


@dataclass
class Run:
    """One cooler matched, and what the truth says about it."""

    cooler: HeldOut
    said: Said
    truth: dict[str, Any]
    control_after: str
    calibration_error_db: float = 0.0
    entry: dict[str, Any] = field(default_factory=dict)
    true_level_db: float | None = None
    """Closed-form level of the settings that were given, with the history that led to them."""
    problems: list[str] = field(default_factory=list)

    @property
    def outcome(self) -> str:
        """What the product said."""
        return str(self.entry.get("outcome", f"exit {self.said.exit_code}"))

    @property
    def error_db(self) -> float | None:
        """True level of the given settings against the target."""
        return None if self.true_level_db is None else self.true_level_db - TARGET_DB

    @property
    def covered(self) -> bool | None:
        """Whether the stated 95 % interval holds the true level."""
        level = self.entry.get("level")
        if self.true_level_db is None or not level or level.get("LAeq_db") is None:
            return None
        return bool(abs(level["LAeq_db"] - self.true_level_db) <= level["U95_db"])

    def line(self) -> str:
        """Return the run in one line, for a person."""
        level, rooms = self.entry.get("level") or {}, self.cooler.description["room"]
        error = "     " if self.error_db is None else f"{self.error_db:+.2f}"
        return (
            f"seed {self.cooler.seed:4d} is {self.cooler.outcome:22s} said {self.outcome:22s} "
            f"true error {error} dB, stated {level.get('LAeq_db')} +-{level.get('U95_db')}, "
            f"floor {(self.entry.get('floor') or {}).get('LAeq_db')} "
            f"(true {rooms['level_db']:.1f}), visited {self.entry.get('settings_visited')}, "
            f"listened {self.entry.get('listened_s')} s, bench {self.entry.get('bench_s')} s, "
            f"{self.said.seconds:.1f} s of wall time {'; '.join(self.problems)}"
        )


def match(cooler: HeldOut, folder: Path, saved: Path | None = None) -> Run:
    """Match and judge one cooler on a bench of its own; calibrate first if no file is given."""
    with ForeignBench(cooler.description) as bench:
        if saved is None:
            calibrated, saved = calibrate(bench, folder)
            assert calibrated.exit_code == 0, calibrated.remarks
        arguments = match_arguments(bench.url, bench.sound_input(), saved, cooler, folder)
        said = run_product(arguments, folder)
        run = Run(cooler, said, bench.truth(), bench.state()["control"])
    run.calibration_error_db = calibration_error_db(saved, cooler.description)
    _judge(run, folder)
    return run


def calibration_error_db(saved: Path, description: dict[str, Any]) -> float:
    """Return how far a calibration is from the true factor of a bench's microphone."""
    factor = json.loads(saved.read_text(encoding="utf-8"))["pascal_per_unit"]
    return 20.0 * math.log10(factor / description["microphone"]["pascal_per_unit"])


def _judge(run: Run, folder: Path) -> None:
    """Fill in what the settings truly are, and everything that broke a promise."""
    expected_exit = {"matched": 0}.get(run.cooler.outcome, 1)
    if run.said.exit_code not in {0, 1}:
        run.problems.append(f"exit {run.said.exit_code}: {run.said.last_remark}")
        return
    document = run.said.document
    if json.loads((folder / "matched.json").read_text(encoding="utf-8")) != document:
        run.problems.append("--out differs from standard output")
    run.entry = document["coolers"][0]
    if run.outcome == run.cooler.outcome and run.said.exit_code != expected_exit:
        run.problems.append(f"exit {run.said.exit_code} for {run.outcome}")
    if run.control_after != "own":
        run.problems.append(f"left under control: {run.control_after}")
    if run.truth["violations"]:
        run.problems.append(f"violations: {run.truth['violations']}")
    given = {name: s["duty_percent"] for name, s in (run.entry.get("settings") or {}).items()}
    for visit in run.truth["visits"]:
        duties = visit["duty_percent"], visit["duty_percent"] | visit["asked_percent"]
        if given and any(_same(given, duty) for duty in duties):
            run.true_level_db = visit["level_db"]
            _compare_speeds(run, visit)
    if run.true_level_db is None and run.entry.get("settings"):
        run.problems.append(f"the settings {given} were never set on the bench")


def _same(given: dict[str, float], duty: dict[str, float]) -> bool:
    return all(name in duty and abs(duty[name] - value) < 0.06 for name, value in given.items())


def _compare_speeds(run: Run, visit: dict[str, Any]) -> None:
    """Note stated speeds that are not those of the settings; the last visit's word counts."""
    run.problems = [p for p in run.problems if not p.startswith("speed of")]
    for name, stated in run.entry["settings"].items():
        true_rpm = visit["rpm"][name]
        if stated["rpm"] is not None and abs(stated["rpm"] - true_rpm) > 0.015 * true_rpm + 5.0:
            run.problems.append(f"speed of {name} stated {stated['rpm']}, is {true_rpm}")
