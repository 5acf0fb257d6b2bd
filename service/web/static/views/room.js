// First whether the room is quiet enough for the aim now; then how it was; then what hums in it.

import { ask, send } from "../api.js";
import { field, fill, form, h, notice, table, tick, facts } from "../dom.js";
import { trend } from "../charts.js";
import { level, number, when } from "../words.js";

const SPANS = { "1": "a day", "7": "a week", "30": "a month", "90": "three months" };

export class RoomView {
  constructor() {
    this.verdict = h("div", {}, "…");
    this.days = h("select", { "aria-label": "How far back", onchange: () => this.load() },
      Object.entries(SPANS).map(([days, name]) => h("option", { value: days, selected: days === "7" }, name)));
    this.chart = h("div", { class: "chart" });
    this.log = h("div", { class: "chart" });
    this.list = h("div");
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet half" }, h("h1", {}, "Room"), this.verdict),
      h("section", { class: "sheet half" }, h("h2", {}, "Check the floor now"),
        form([
          field("Listen for, s", "seconds", { type: "number", value: "30", min: "6", max: "3600", required: true }),
          tick("Turn fans and pump to their lowest meanwhile", "lower_fans"),
        ], "Check", async (asked) => {
          const job = await send("floor-checks", asked);
          location.hash = `#/jobs/${job.id}`;
        })),
      h("section", { class: "sheet" }, h("div", { class: "row" }, h("h2", {}, "Floor checks over"), this.days), this.chart),
      h("section", { class: "sheet" }, h("h2", {}, "Levels of the same time, by minute"), this.log,
        h("p", { class: "quiet" }, "The band reaches from what was exceeded nine tenths of each stretch (L90) to what was exceeded one tenth of it (L10).")),
      h("section", { class: "sheet" }, this.list));
    this.load();
  }

  onstatus({ floor, next_floor_check: next }) {
    fill(this.verdict, floor
      ? [h("p", {}, h("span", { class: `word ${floor.fit_to_use ? "good" : "wait"}` }, floor.fit_to_use ? `fit for targets from ${number(floor.fit_for_target_db)} dB(A)` : "to be checked again")),
        facts([["floor", level(floor.LAeq_db, floor.U95_db)], ["heard", when(floor.time)], ["next check", next ? when(next) : "none is scheduled"]])]
      : [h("p", {}, h("span", { class: "word wait" }, "never checked")), facts([["next check", next ? when(next) : "none is scheduled"]])]);
  }

  async load() {
    const from = new Date(Date.now() - Number(this.days.value) * 86400e3).toISOString();
    try {
      const [checks, points, log] = await Promise.all([
        ask("floor-checks", { limit: 20 }), ask("floor-checks/trend", { since: from }), ask("level-log", { since: from, points: 1500 })]);
      await trend(this.chart, { title: "Level, dB(A)", lines: [
        { name: "LAeq", x: points.items.map((p) => p.time), y: points.items.map((p) => p.LAeq_db), marks: true },
        { name: "LA90", x: points.items.map((p) => p.time), y: points.items.map((p) => p.LA90_db), dash: true },
      ] });
      const times = log.items.map((p) => p.time);
      await trend(this.log, { title: "Level, dB(A)", lines: [
        { name: "LA90", x: times, y: log.items.map((p) => p.LA90_db), thin: true },
        { name: "LA10", x: times, y: log.items.map((p) => p.LA10_db), thin: true, fill: true },
        { name: "LAeq", x: times, y: log.items.map((p) => p.LAeq_db) },
      ] });
      fill(this.list, table("The last floor checks",
        ["Time", { text: "Floor", number: true }, { text: "LA90", number: true }, { text: "Fit from", number: true }, "Asked for"],
        checks.items.map((one) => h("tr", {},
          h("td", {}, when(one.time)),
          h("td", { class: "number" }, level(one.LAeq_db, one.U95_db)),
          h("td", { class: "number" }, level(one.LA90_db)),
          h("td", { class: "number" }, level(one.fit_for_target_db)),
          h("td", {}, one.scheduled ? "by itself" : "by a person")))));
    } catch (error) {
      notice(error.message);
    }
  }
}
