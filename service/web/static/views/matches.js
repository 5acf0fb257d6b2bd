// First the table that the thermal runs need; then choosing, comparing and taking it along.

import { addressOf, ask } from "../api.js";
import { action, fill, h, notice, table } from "../dom.js";
import { compareLevels } from "../charts.js";
import { level, plainWord, when, withUnit, word } from "../words.js";

const OUTCOMES = ["matched", "quieter-at-full-speed", "louder-at-minimum", "floor-too-high", "unsteady", "stopped"];

export class MatchesView {
  constructor() {
    this.chosen = new Map();
    this.next = null;
    this.filter = { cooler: "", outcome: "" };
    this.rows = h("tbody");
    this.more = action("Show more", () => this.load(false), { class: "plain" });
    this.links = h("div", { class: "row" });
    this.chart = h("div");
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, h("h1", {}, "Matched settings"),
        h("div", { class: "row" },
          h("label", {}, "Cooler", h("input", { type: "search", oninput: (event) => this.narrow("cooler", event.target.value) })),
          h("label", {}, "Outcome", h("select", { onchange: (event) => this.narrow("outcome", event.target.value) },
            h("option", { value: "" }, "all"), OUTCOMES.map((outcome) => h("option", { value: outcome }, plainWord(outcome)))))),
        this.links,
        h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Matched settings" },
          h("table", {},
            h("thead", {}, h("tr", {}, ["Choose", "Cooler", "Time", "Aim", "Outcome", "Level", "Fan", "Pump"].map((head) => h("th", { scope: "col" }, head)))),
            this.rows)),
        this.more),
      h("section", { class: "sheet" }, h("h2", {}, "Compared"), this.chart));
    this.load(true);
    this.showLinks();
  }

  narrow(name, value) {
    this.filter[name] = value.trim();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.load(true), 250);
  }

  async load(anew) {
    try {
      const page = await ask("matches", { ...this.filter, limit: 50, before: anew ? null : this.next });
      const rows = page.items.map((match) => this.row(match));
      if (anew) fill(this.rows, rows.length ? rows : h("tr", {}, h("td", { colspan: "8", class: "quiet" }, "Nothing was matched yet.")));
      else this.rows.append(...rows);
      this.next = page.next;
      this.more.hidden = this.next === null;
    } catch (error) {
      notice(error.message);
    }
  }

  row(match) {
    const box = h("input", { type: "checkbox", checked: this.chosen.has(match.id), "aria-label": `Choose ${match.cooler}, ${when(match.time)}`, onchange: () => {
      if (box.checked) this.chosen.set(match.id, match); else this.chosen.delete(match.id);
      this.showLinks();
    } });
    return h("tr", {},
      h("td", {}, box),
      h("td", {}, h("a", { href: `#/matches/${match.id}` }, match.cooler)),
      h("td", {}, when(match.time)),
      h("td", {}, level(match.target_db)),
      h("td", {}, word(match.outcome)),
      h("td", {}, level(match.LAeq_db, match.U95_db)),
      h("td", {}, `${withUnit(match.fan_duty_percent, "%")}, ${withUnit(match.fan_rpm, "rpm", 0)}`),
      h("td", {}, match.pump_duty_percent === null ? "–" : `${withUnit(match.pump_duty_percent, "%")}, ${withUnit(match.pump_rpm, "rpm", 0)}`));
  }

  showLinks() {
    const ids = [...this.chosen.keys()];
    const take = (form) => addressOf("matches/export", { id: ids, form });
    fill(this.links, ids.length
      ? [h("a", { class: "button plain", href: take("csv"), download: "matched-settings.csv" }, "Chosen ones as CSV"),
        h("a", { class: "button plain", href: take("json"), download: "matched-settings.json" }, "Chosen ones as JSON, for the thermal runs"),
        action("Compare them", () => compareLevels(this.chart, [...this.chosen.values()]))]
      : h("span", { class: "quiet" }, "Choose matches to take them along or to compare them."));
  }

  close() { clearTimeout(this.timer); }
}
