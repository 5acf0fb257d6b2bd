// First what a person has to do; then how the measurement under way goes; then what waits.

import { ask, send } from "../api.js";
import { action, cell, fill, h, notice, numeric, table } from "../dom.js";
import { GrowingPicture } from "../growing_picture.js";
import { duration, level, plainWord, when, withUnit, word } from "../words.js";
import { title } from "../main.js";

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
    this.list = h("div");
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, this.head, this.bar, this.buttons),
      this.figure,
      h("section", { class: "sheet third" }, h("h2", {}, "In words"), this.remarks),
      h("section", { class: "sheet" }, h("h2", {}, "All work"), this.list));
    this.timer = setInterval(() => { if (!document.hidden) this.load(); }, 1000);
    this.load();
  }

  async load() {
    try {
      const { items } = await ask("jobs", { limit: 50 });
      const job = this.id ? await ask(`jobs/${this.id}`) : items.find((one) => ["waiting-for-person", "running", "paused"].includes(one.state)) ?? items[0];
      this.show(job ?? null);
      this.showList(items);
    } catch (error) {
      if (error.status !== 0) notice(error.message);
      if (error.status === 404) clearInterval(this.timer);
    }
  }

  show(job) {
    if (!job) {
      fill(this.head, h("h1", {}, "Work"), h("p", {}, "Nothing was measured yet. ", h("a", { href: "#/coolers" }, "Choose a cooler"), " to begin."));
      this.figure.hidden = true;
      return;
    }
    fill(this.head,
      h("h1", {}, capital(title(job))),
      job.wants ? h("div", { class: "wants", role: "alert" }, job.wants) : null,
      h("p", { class: "state" }, word(job.state), job.why ? `: ${job.why}` : "", ` · asked by ${job.who} ${when(job.created)}`),
      job.progress.words && job.state === "running" ? h("p", {}, h("strong", {}, job.progress.words)) : null,
      job.results.length ? h("p", {}, "Result: ", job.results.map((result) => [h("a", { href: addressIn(result) }, result.kind), " "])) : null);
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
    this.figure.hidden = !["match", "sweep", "recheck"].includes(job.request.kind);
    this.showPoints(job.progress);
    const { remarks } = job.progress;
    if (this.said !== remarks.join()) {
      this.said = remarks.join();
      fill(this.remarks, remarks.map((remark) => h("li", {}, remark)));
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

  showList(items) {
    const words = JSON.stringify(items.map((job) => [job.id, job.state, job.position]));
    if (words === this.listed) return;
    this.listed = words;
    fill(this.list, table("What waits or is under way, then what was done", ["What", "State", "Asked", "Result"],
      items.map((job) => h("tr", { class: job.id === this.id ? "chosen" : null },
        h("td", {}, h("a", { href: `#/jobs/${job.id}` }, capital(title(job)))),
        h("td", {}, word(job.state)),
        h("td", {}, when(job.created)),
        h("td", {}, job.why ?? plainWord(job.state))))));
  }

  close() {
    clearInterval(this.timer);
    this.picture.close();
  }
}

function addressIn(result) {
  return { match: `#/matches/${result.id}`, calibration: "#/microphone", floor: "#/room" }[result.kind] ?? "#/coolers";
}

function capital(text) {
  return text[0].toUpperCase() + text.slice(1);
}
