// First what a person has to do; then how the measurement under way goes; then what waits.

import { ask, send } from "../api.js";
import { action, cell, fill, h, notice, numeric, table } from "../dom.js";
import { GrowingPicture } from "../growing_picture.js";
import { duration, level, sentence, when, withUnit, word } from "../words.js";
import { title } from "../main.js";

const ENDED = ["done", "refused", "failed", "stopped", "interrupted"];

export class JobsView {
  constructor(id = null) {
    this.id = id;
    this.picture = new GrowingPicture();
    this.head = h("div");
    this.buttons = h("div", { class: "row" });
    this.bar = h("div");
    this.remarks = h("ol", { class: "remarks", "aria-live": "polite", tabindex: "0", "aria-label": "What was done and why" });
    this.heard = h("div");
    this.figure = h("section", { class: "sheet wide" }, h("h2", {}, "Level over speed so far"), this.picture.paper.canvas, this.heard);
    this.told = h("section", { class: "sheet third" }, h("h2", {}, "In words"), this.remarks);
    this.queue = h("div");
    this.list = h("div");
    this.events = h("div");
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, this.head, this.bar, this.buttons),
      this.figure,
      this.told,
      h("section", { class: "sheet" }, h("h2", {}, "Under way and waiting, in its order"), this.queue),
      h("section", { class: "sheet" }, h("h2", {}, "What was done"), this.list),
      h("section", { class: "sheet" }, h("details", { ontoggle: (event) => { if (event.target.open) this.loadEvents(); } },
        h("summary", {}, "Everything that happened: alarms, who asked for what, which calibration counts"), this.events)));
    this.timer = setInterval(() => { if (!document.hidden) this.load(); }, 1000);
    this.load();
  }

  async load() {
    try {
      const [{ items: waiting }, { items: past }] = await Promise.all([ask("queue"), ask("jobs", { limit: 30, state: ENDED })]);
      const job = this.id ? waiting.find((one) => one.id === this.id) ?? await ask(`jobs/${this.id}`) : waiting[0] ?? past[0];
      this.show(job ?? null);
      this.showQueue(waiting);
      this.showList(past);
    } catch (error) {
      if (error.status !== 0) notice(error.message);
      if (error.status === 404) clearInterval(this.timer);
    }
  }

  async loadEvents() {
    try {
      const { items } = await ask("events", { limit: 100 });
      fill(this.events, table("The last hundred, newest first", ["Time", "Who", "What"],
        items.map((event) => h("tr", {}, h("td", {}, when(event.time)), h("td", {}, event.who), h("td", {}, sentence(event.what))))));
    } catch (error) {
      notice(error.message);
    }
  }

  show(job) {
    if (!job) {
      fill(this.head, h("h1", {}, "Work"), h("p", {}, "Nothing was measured yet. ", h("a", { href: "#/coolers" }, "Choose a cooler"), " to begin."));
      this.figure.hidden = this.told.hidden = true;
      return;
    }
    fill(this.head,
      h("h1", {}, capital(title(job))),
      job.wants ? h("div", { class: "wants", role: "alert" }, job.wants) : null,
      h("p", { class: "state" }, word(job.state), job.why ? `: ${sentence(job.why)}` : "", ` · asked by ${job.who} ${when(job.created)}`),
      job.progress.words && job.state === "running" ? h("p", {}, h("strong", {}, job.progress.words)) : null,
      job.results.length ? h("p", {}, "Result: ", job.results.map((result) => [h("a", { href: addressIn(result, job) }, result.kind), " "])) : null);
    fill(this.bar, job.state === "running" && job.progress.share !== null
      ? h("progress", { max: "1", value: job.progress.share, "aria-label": "Share that is done" }) : null);
    const can = {
      "waiting-for-person": [["Done, go on", "go-on"], ["Stop", "stop"]],
      running: [["Pause", "pause", "plain"], ["Stop", "stop"], ["Begin anew", "retake", "plain"]],
      queued: [["Pause", "pause", "plain"], ["Stop", "stop"]],
      paused: [["Resume", "resume"], ["Stop", "stop"]],
    }[job.state] ?? [...(["interrupted", "failed", "stopped"].includes(job.state) ? [["Go on", "go-on"]] : []), ["Measure again", "retake", "plain"]];
    const key = `${job.id} ${job.state}`;
    if (this.shown !== key) {
      this.shown = key;
      fill(this.buttons, can.map(([text, verb, kind]) => action(text, async () => {
        const after = await send(`jobs/${job.id}/${verb}`);
        if (after.id !== job.id) location.hash = `#/jobs/${after.id}`;
        await this.load();
      }, { class: verb === "stop" ? "grave" : kind ?? "" })));
    }
    const begun = job.started !== null && job.state !== "waiting-for-person";
    this.figure.hidden = !["match", "sweep", "recheck"].includes(job.request.kind) || !(begun || job.progress.points.length);
    this.told.hidden = !job.progress.remarks.length;
    this.showPoints(job.progress);
    const { remarks } = job.progress;
    if (this.said !== remarks.join()) {
      this.said = remarks.join();
      fill(this.remarks, remarks.map((remark) => h("li", {}, sentence(remark))));
      this.remarks.scrollTop = this.remarks.scrollHeight;
    }
  }

  showPoints({ points, target_db: target }) {
    this.picture.show(points, target);
    const words = JSON.stringify(points);
    if (words === this.pointed) return;
    this.pointed = words;
    fill(this.heard, points.length ? table("Settings heard so far",
      [numeric("No."), numeric("Fan"), numeric("Speed"), numeric("Pump"), numeric("Level"), numeric("Heard for")],
      points.map((point, at) => h("tr", {},
        cell(String(at + 1)), cell(withUnit(point.fan_duty_percent, "%")), cell(withUnit(point.fan_rpm, "rpm", 0)),
        cell(withUnit(point.pump_duty_percent, "%")), cell(level(point.LAeq_db, point.U95_db)), cell(duration(point.listened_s))))) : null);
  }

  // In the order in which their turn comes; what is paused comes when somebody resumes it.
  showQueue(items) {
    const words = JSON.stringify(items.map((job) => [job.id, job.state, job.position]));
    if (words === this.queued) return;
    this.queued = words;
    const last = Math.max(...items.map((job) => job.position ?? -1));
    fill(this.queue, items.length ? table("The queue", [numeric("Place"), "What", "State", "Asked", "Move"],
      items.map((job) => h("tr", { class: job.id === this.id ? "chosen" : null },
        cell(job.position === null ? "–" : String(job.position + 1)),
        h("td", {}, h("a", { href: `#/jobs/${job.id}` }, capital(title(job)))),
        h("td", {}, word(job.state)),
        h("td", {}, `${when(job.created)} by ${job.who}`),
        h("td", {}, job.state === "queued" ? h("div", { class: "row tight" },
          this.mover(job, "↑", "earlier", job.position - 1, job.position > 0),
          this.mover(job, "↓", "later", job.position + 1, job.position < last),
          action("Stop", async () => { await send(`jobs/${job.id}/stop`); await this.load(); }, { class: "grave", "aria-label": `Stop ${title(job)}` })) : null))))
      : h("p", { class: "quiet" }, "Nothing waits."));
  }

  mover(job, sign, where, position, possible) {
    return action(sign, async () => {
      await send(`jobs/${job.id}/move`, { position });
      await this.load();
    }, { class: "plain", disabled: !possible, "aria-label": `Move ${title(job)} ${where}` });
  }

  showList(items) {
    const words = JSON.stringify(items.map((job) => [job.id, job.state]));
    if (words === this.listed) return;
    this.listed = words;
    fill(this.list, items.length ? table("Newest first", ["What", "Outcome", "Asked", "Why"],
      items.map((job) => h("tr", { class: job.id === this.id ? "chosen" : null },
        h("td", {}, h("a", { href: `#/jobs/${job.id}` }, capital(title(job)))),
        h("td", {}, word(job.state)),
        h("td", {}, when(job.created)),
        h("td", {}, job.why ? sentence(job.why) : "–")))) : h("p", { class: "quiet" }, "Nothing yet."));
  }

  close() {
    clearInterval(this.timer);
    this.picture.close();
  }
}

// A sweep and a re-check stand on the page of their cooler, which is found by its name.
function addressIn(result, job) {
  return { match: `#/matches/${result.id}`, calibration: `#/microphone/${result.id}`, floor: `#/room/${result.id}` }[result.kind]
    ?? `#/coolers/${encodeURIComponent(`named ${job.request.cooler}`)}`;
}

function capital(text) {
  return text[0].toUpperCase() + text.slice(1);
}
