"""The bench control API, version 1, as an outsider reads it: leases, duties, limits, safe state.

Part of the foreign bench: it imports nothing of the project. Where the contract leaves a choice:

- a lease longer than the bench allows is refused (422) and not shortened in silence;
- a change without, with a wrong or with a lapsed lease is 410, also after the bench went safe;
- actuators that a call does not name keep the duty they have, from the moment of the lease on;
- a bench with stepped duties shows the step it holds, which may differ from what was asked;
- malformed bodies are 422, unknown paths 404, known paths with another method 405.
"""

import json
import secrets
import threading
import time
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from held_out.foreign_plant import FULL_SPEED_PERCENT, Plant

_CALM_AFTER_LAPSE_S = 4.0
_LOW_BELOW_PERCENT = 45.0


class Refused(Exception):
    """A call that is answered with an error."""

    def __init__(self, status: int, detail: str) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail


class Bench:
    """The bench's own mind: who holds it, what it allows, and when it takes over."""

    def __init__(self, description: dict[str, Any], plant: Plant) -> None:
        self.description = description
        self.plant = plant
        self.lock = threading.RLock()
        self.control = "own"
        self.why: str | None = None
        self.violations: list[dict[str, Any]] = []
        self.events: list[str] = []
        self.refusals: list[str] = []
        self._secret: str | None = None
        self._holder = ""
        self._ends = 0.0
        self._calm_at = 0.0

    # -- what happens by itself ------------------------------------------------------------------

    def watch(self) -> None:
        """Let a lease lapse, mind the temperature, and leave the safe state when it is over."""
        with self.lock:
            limit_c = self.description["limit_c"]
            if self.plant.temperature_c >= limit_c and self.control != "safe":
                self._go_safe(f"the processor reached {limit_c:g} degrees Celsius")
                self.events.append("safe-temperature")
            trips_at_s = self.description.get("trips_at_s", float("inf"))
            if self.plant.produced_s >= trips_at_s and "safe-trip" not in self.events:
                self._go_safe("a coolant sensor of the bench itself tripped")
                self._calm_at = time.monotonic() + _CALM_AFTER_LAPSE_S
                self.events.append("safe-trip")
            if self._secret is not None and time.monotonic() >= self._ends:
                self._lapse()
            if (
                self.control == "safe"
                and time.monotonic() >= self._calm_at
                and self.plant.temperature_c < limit_c - 8.0
            ):
                self.control, self.why = "own", None
                self.plant.hand_back()

    def _lapse(self) -> None:
        fans = [n for n, make in self.plant.makes.items() if make.role == "fan"]
        low = min(self.plant.duty[name] for name in fans) < _LOW_BELOW_PERCENT
        self.violations.append({"kind": "lease-lapsed", "holder": self._holder, "fans_low": low})
        self._secret = None
        if self.description["on_lapse"] == "safe":
            self._go_safe("the lease was not renewed in time")
            self._calm_at = time.monotonic() + _CALM_AFTER_LAPSE_S
        else:
            self.control, self.why = "own", None
            self.plant.hand_back()

    def _go_safe(self, why: str) -> None:
        self._secret = None
        self.control, self.why = "safe", why
        self.plant.take_over(FULL_SPEED_PERCENT)

    # -- calls -----------------------------------------------------------------------------------

    def describe(self) -> dict[str, Any]:
        """Answer `GET v1/bench`."""
        return {
            "bench": self.description["bench"],
            "api": 1,
            "actuators": {
                name: {
                    "role": make.role,
                    "min_duty_percent": make.min_duty_percent,
                    "max_duty_percent": make.max_duty_percent,
                    "tachometer": make.tachometer is not None,
                }
                for name, make in self.plant.makes.items()
            },
            "temperatures": {"processor": {"limit_c": self.description["limit_c"]}},
            "lease_max_s": self.description["lease_max_s"],
        }

    def state(self) -> dict[str, Any]:
        """Answer `GET v1/state`."""
        now = datetime.fromtimestamp(time.time(), UTC).isoformat(timespec="milliseconds")
        return {
            "time": now.replace("+00:00", "Z"),
            "control": self.control,
            "why": self.why,
            "actuators": {
                name: {"duty_percent": self.plant.duty[name], "rpm": rotor.shown_rpm}
                for name, rotor in self.plant.rotors.items()
            },
            "temperatures_c": {"processor": self.plant.shown_temperature_c()},
        }

    def lease(self, body: Any) -> dict[str, Any]:
        """Answer `POST v1/lease`."""
        holder, seconds = _field(body, "holder"), self._seconds(body)
        if not isinstance(holder, str) or not holder:
            raise Refused(422, "holder must be a text that says who asks.")
        if self.control == "safe":
            raise Refused(423, f"The bench is in its safe state: {self.why}.")
        if self._secret is not None:
            raise Refused(409, f"The bench is held by {self._holder}.")
        self._secret, self._holder = secrets.token_urlsafe(16), holder
        self._ends = time.monotonic() + seconds
        self.control = "leased"
        self.plant.own_control = False
        self.events.append("leased")
        return {"lease": self._secret, "expires_in_s": seconds}

    def renew(self, lease: str | None, body: Any) -> dict[str, Any]:
        """Answer `PUT v1/lease`."""
        self._check(lease)
        seconds = self._seconds(body)
        self._ends = time.monotonic() + seconds
        return {"lease": self._secret, "expires_in_s": seconds}

    def release(self, lease: str | None) -> None:
        """Answer `DELETE v1/lease`."""
        self._check(lease)
        self._secret = None
        self.control, self.why = "own", None
        self.plant.hand_back()
        self.events.append("released")

    def set_duty(self, lease: str | None, body: Any) -> dict[str, Any]:
        """Answer `PUT v1/duty`: all of it or nothing."""
        self._check(lease)
        asked = _field(body, "duty_percent")
        if not isinstance(asked, dict) or not asked:
            raise Refused(422, "duty_percent must name at least one actuator.")
        for name, duty in asked.items():
            if name not in self.plant.makes:
                raise Refused(422, f"There is no actuator {name} on this bench.")
            make = self.plant.makes[name]
            if not _is_number(duty):
                raise Refused(422, f"The duty of {name} must be a number of percent.")
            if not make.min_duty_percent <= duty <= make.max_duty_percent:
                kind = "pump-stop" if make.role == "pump" else "duty-out-of-limits"
                self.violations.append({"kind": kind, "actuator": name, "duty_percent": duty})
                limits = f"{make.min_duty_percent:g} to {make.max_duty_percent:g} %"
                raise Refused(422, f"The duty of {name} must be {limits}, and {duty:g} % is not.")
        self.plant.command({name: float(duty) for name, duty in asked.items()}, visit=True)
        return self.state()

    def _check(self, lease: str | None) -> None:
        if self._secret is None or lease is None or not secrets.compare_digest(lease, self._secret):
            raise Refused(410, "This lease is not or no longer valid.")

    def _seconds(self, body: Any) -> float:
        seconds, most = _field(body, "seconds"), self.description["lease_max_s"]
        if not _is_number(seconds) or not 0 < seconds <= most:
            raise Refused(422, f"seconds must be a number above 0 and at most {most:g}.")
        return float(seconds)

    def truth(self) -> dict[str, Any]:
        """Answer the control line: what only the bench itself knows."""
        return {
            "level_db": self.plant.true_level_db(),
            "duty_percent": dict(self.plant.duty),
            "rpm": self.plant.steady_rpm(),
            "control": self.control,
            "temperature_c": self.plant.temperature_c,
            "produced_s": self.plant.produced_s,
            "violations": self.violations,
            "events": self.events,
            "refusals": self.refusals,
            "visits": self.plant.visits,
        }


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and value == value  # noqa: PLR0124 - a NaN is no number


def _field(body: Any, name: str) -> Any:
    if not isinstance(body, dict) or name not in body:
        raise Refused(422, f"The body must be a JSON object with {name}.")
    return body[name]


class Answers(BaseHTTPRequestHandler):
    """One HTTP call."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    server: "Server"

    def _answer(self) -> None:
        length = int(self.headers.get("Content-Length") or 0)
        raw = self.rfile.read(length)
        bench = self.server.bench
        bench.watch()
        with bench.lock:
            if len(bench.plant.visits) > bench.description.get("sane_visits", float("inf")):
                self._talk_nonsense()
                return
            try:
                status, document = self._route(bench, raw)
            except Refused as refused:
                status, document = refused.status, {"detail": refused.detail}
                bench.refusals.append(f"{self.command} {self.path} {status} {refused.detail}")
        body = b"" if document is None else json.dumps(document).encode()
        self.send_response(status)
        if document is not None:
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _talk_nonsense(self) -> None:
        """Answer as a broken bench or something quite different would."""
        body = b"<html><body>It works!</body></html>"
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _route(self, bench: Bench, raw: bytes) -> tuple[int, dict[str, Any] | None]:
        token = bench.description["token"]
        if token is not None and self.headers.get("Authorization") != f"Bearer {token}":
            raise Refused(401, "This bench asks for a token.")
        prefix = bench.description["prefix"] + "/v1/"
        if not self.path.startswith(prefix):
            raise Refused(404, "There is nothing at this path.")
        lease = self.headers.get("Bench-Lease")
        match self.command, self.path.removeprefix(prefix):
            case "GET", "bench":
                return 200, bench.describe()
            case "GET", "state":
                return 200, bench.state()
            case "POST", "lease":
                return 201, bench.lease(_json(raw))
            case "PUT", "lease":
                return 200, bench.renew(lease, _json(raw))
            case "DELETE", "lease":
                bench.release(lease)
                return 204, None
            case "PUT", "duty":
                return 200, bench.set_duty(lease, _json(raw))
            case _, "bench" | "state" | "lease" | "duty":
                raise Refused(405, "This call does not exist here.")
        raise Refused(404, "There is nothing at this path.")

    do_GET = do_POST = do_PUT = do_DELETE = _answer

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - its given name
        """Stay silent."""


def _json(raw: bytes) -> Any:
    try:
        return json.loads(raw)
    except ValueError:
        raise Refused(422, "The body must be JSON.") from None


class Server(ThreadingHTTPServer):
    """The HTTP server of one bench, on loopback."""

    daemon_threads = True

    def __init__(self, bench: Bench) -> None:
        super().__init__(("127.0.0.1", 0), Answers)
        self.bench = bench
