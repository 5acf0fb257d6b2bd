// The frame of the page: which view, what the lab does now, what is wrong, and who may come in.

import { ask, send } from "./api.js";
import { fill, form, field, h, notice } from "./dom.js";
import { LiveSocket } from "./live_socket.js";
import { number, word } from "./words.js";
import { LiveView } from "./views/live.js";
import { MicrophoneView } from "./views/microphone.js";
import { RoomView } from "./views/room.js";
import { CoolersView } from "./views/coolers.js";
import { CoolerView } from "./views/cooler.js";
import { JobsView } from "./views/jobs.js";
import { MatchesView } from "./views/matches.js";
import { MatchView } from "./views/match.js";

const VIEWS = {
  live: ["Now", LiveView],
  jobs: ["Work", JobsView],
  coolers: ["Coolers", CoolersView],
  matches: ["Matched settings", MatchesView],
  microphone: ["Microphone", MicrophoneView],
  room: ["Room", RoomView],
};
const INNER = { coolers: CoolerView, matches: MatchView };

const place = document.getElementById("view");
const strip = document.getElementById("strip");
const rail = document.getElementById("rail");

let view = null;
let status = null;
let frame = null;
let connected = false;

function show() {
  const [key, id] = location.hash.replace(/^#\/?/, "").split("/");
  const name = VIEWS[key] ? key : "live";
  if (view && view.close) view.close();
  const [title, Kind] = VIEWS[name];
  view = id ? new (INNER[name] ?? Kind)(decodeURIComponent(id)) : new Kind();
  document.title = `${title} – Evenhush`;
  for (const link of rail.querySelectorAll("a")) {
    if (link.dataset.view === name) link.setAttribute("aria-current", "page"); else link.removeAttribute("aria-current");
  }
  fill(place, problems(), view.element);
  // What was said of another view is of no use in this one.
  fill(document.getElementById("notice"));
  place.focus({ preventScroll: true });
  if (view.onstatus && status) view.onstatus(status);
  if (view.onframe && frame) view.onframe(frame);
}

function problems() {
  return h("ul", { class: "problems", id: "problems", "aria-label": "What is wrong now" });
}

function showStrip() {
  const list = document.getElementById("problems");
  if (list && status) fill(list, status.problems.map((problem) => h("li", {}, problem.text)));
  const job = status?.job;
  const bench = status?.bench;
  fill(strip,
    h("span", { class: "name" }, bench?.name ? `Bench ${bench.name}` : "Evenhush"),
    h("span", { class: "level", id: "strip-level" }),
    bench ? word(bench.control) : null,
    h("span", { class: "doing" }, job
      ? h("a", { href: `#/jobs/${job.id}` }, [title(job), ": ", job.wants ? word(job.state) : job.progress.words])
      : h("span", { class: "quiet" }, status ? "nothing is being measured" : "asking the lab")),
    status?.demo ? h("span", { class: "quiet" }, "simulated bench") : null,
    connected ? null : h("span", { class: "word bad" }, "no live connection; trying again"));
  showLevel();
}

function showLevel() {
  const at = document.getElementById("strip-level");
  if (at && frame) at.textContent = `${number(frame.LAF_db)} ${frame.calibrated ? "dB(A)" : "dB re full scale, not calibrated"}`;
}

export function title(job) {
  const what = { calibrate: "calibration", floor: "floor check", sweep: "sweep of", match: "match of", recheck: "re-check of" }[job.request.kind];
  return job.request.cooler ? `${what} ${job.request.cooler}` : what;
}

async function refresh() {
  try {
    status = await ask("status");
    showStrip();
    if (view?.onstatus) view.onstatus(status);
  } catch (error) {
    if (error.status !== 401) notice(error.message);
  }
}

document.addEventListener("locked-out", () => {
  fill(place, h("section", { class: "sheet" },
    h("h1", {}, "This lab asks for its token"),
    form([field("Token", "token", { type: "password", required: true, autocomplete: "current-password" })], "Come in", async ({ token }) => {
      await send("session", { token });
      location.reload();
    })));
}, { once: true });

fill(rail, Object.entries(VIEWS).map(([key, [name]]) => h("a", { href: `#/${key}`, "data-view": key }, name)));
window.addEventListener("hashchange", show);

const socket = new LiveSocket((newest) => {
  frame = newest;
  showLevel();
  if (view?.onframe) view.onframe(newest);
}, (state) => {
  connected = state;
  showStrip();
});
window.addEventListener("pagehide", () => socket.close());

show();
refresh();
setInterval(() => { if (!document.hidden) refresh(); }, 1000);
