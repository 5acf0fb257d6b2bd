// First the table that the thermal runs need; then choosing, comparing and taking it along.

import { addressOf, ask, send } from "../api.js";
import { action, cell, fill, h, notice, numeric, table } from "../dom.js";
import { compareLevels } from "../charts.js";
import { doubtMark, loadDoubts } from "../doubts.js";
import { driven, level, plainWord, when, withUnit, word } from "../words.js";

const OUTCOMES = ["matched", "quieter-at-full-speed", "louder-at-minimum", "floor-too-high", "unsteady", "stopped"];

export class MatchesView {
  constructor() {
    this.chosen = new Map();
    this.next = null;
    this.filter = { cooler: "", outcome: "", target_db: "", since: "", until: "" };
    this.doubts = [];
    this.rows = h("tbody");
    this.names = h("datalist", { id: "cooler-names" });
    this.loadNames();
    this.more = action("Show more", () => this.load(false), { class: "plain" });
    this.links = h("div", { class: "row" });
    this.chart = h("div", {}, h("p", { class: "quiet" }, "Choose two or more above."));
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, h("h1", {}, "Matched settings"),
        h("div", { class: "row" },
          h("label", {}, "Cooler", h("input", { type: "search", list: "cooler-names", oninput: (event) => this.narrow("cooler", event.target.value) }), this.names),
          h("label", {}, "Outcome", h("select", { onchange: (event) => this.narrow("outcome", event.target.value) },
            h("option", { value: "" }, "all"), OUTCOMES.map((outcome) => h("option", { value: outcome }, plainWord(outcome))))),
          h("label", {}, "Aim, dB(A)", h("input", { type: "number", min: "0", max: "120", step: "any", oninput: (event) => this.narrow("target_db", event.target.value) })),
          h("label", {}, "From", h("input", { type: "date", onchange: (event) => this.narrow("since", moment(event.target.value, 0)) })),
          h("label", {}, "To", h("input", { type: "date", onchange: (event) => this.narrow("until", moment(event.target.value, 1)) }))),
        this.links,
        h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Matched settings" },
          h("table", {},
            h("thead", {}, h("tr", {}, ["Choose", "Cooler", "Time", numeric("Aim"), "Outcome", numeric("Level"), numeric("Fan"), numeric("Pump"), "Calibration"].map((head) => h("th", { scope: "col", class: head.number ? "number" : null }, head.text ?? head)))),
            this.rows)),
        this.more),
      h("section", { class: "sheet" }, h("h2", {}, "Compared"), this.chart));
    this.load(true);
    this.showLinks();
  }

  async loadNames() {
    try {
      const { items } = await ask("coolers", { limit: 200 });
      fill(this.names, items.map((cooler) => h("option", { value: cooler.name })));
    } catch (error) {
      notice(error.message);
    }
  }

  narrow(name, value) {
    this.filter[name] = value.trim();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.load(true), 250);
  }

  async load(anew) {
    try {
      const [page, doubts] = await Promise.all([ask("matches", { ...this.filter, limit: 50, before: anew ? null : this.next }), loadDoubts()]);
      this.doubts = doubts;
      const rows = page.items.map((match) => this.row(match));
      if (anew) fill(this.rows, rows.length ? rows : h("tr", {}, h("td", { colspan: "9", class: "quiet" }, "No match is like that.")));
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
      cell(level(match.target_db)),
      h("td", {}, word(match.outcome)),
      cell(level(match.LAeq_db, match.U95_db)),
      cell(driven(match.fan_duty_percent, match.fan_rpm)),
      cell(driven(match.pump_duty_percent, match.pump_rpm)),
      h("td", {}, doubtMark(this.doubts, match.time, match.void) ?? "in order"));
  }

  showLinks() {
    const ids = [...this.chosen.keys()];
    const take = (form) => addressOf("matches/export", { id: ids, form });
    fill(this.links, ids.length
      ? [h("a", { class: "button plain", href: take("csv"), download: "matched-settings.csv" }, "Chosen ones as CSV"),
        h("a", { class: "button plain", href: take("json"), download: "matched-settings.json" }, "Chosen ones as JSON, for the thermal runs"),
        action("Compare them", () => this.compare()),
        new Set([...this.chosen.values()].map((match) => match.cooler)).size === 1 ? action("Check them again", async () => {
          const job = await send("jobs", { kind: "recheck", cooler: [...this.chosen.values()][0].cooler, matches: ids });
          location.hash = `#/jobs/${job.id}`;
        }, { class: "plain" }) : null]
      : h("span", { class: "quiet" }, "Choose matches to take them along or to compare them."));
  }

  // Quietest first, each against the first of them.
  async compare() {
    const matches = [...this.chosen.values()].filter((match) => match.LAeq_db !== null).sort((a, b) => a.LAeq_db - b.LAeq_db);
    const [first] = matches;
    const chart = h("div", { class: "chart", role: "img", "aria-label": "Levels of the chosen matches over fan speed" });
    fill(this.chart, matches.length ? [table("The chosen ones, quietest first",
      ["Cooler", "Time", numeric("Aim"), numeric("Level"), numeric("Louder than the first by"), numeric("Fan"), numeric("Pump"), "Calibration"],
      matches.map((match) => h("tr", {},
        h("td", {}, match.cooler), h("td", {}, when(match.time)), cell(level(match.target_db)), cell(level(match.LAeq_db, match.U95_db)),
        cell(withUnit(match.LAeq_db - first.LAeq_db, "dB")), cell(withUnit(match.fan_rpm, "rpm", 0)), cell(withUnit(match.pump_rpm, "rpm", 0)),
        h("td", {}, doubtMark(this.doubts, match.time, match.void) ?? "in order")))), chart]
      : h("p", { class: "quiet" }, "None of them came to a level."));
    if (matches.length) await compareLevels(chart, matches);
  }

  close() { clearTimeout(this.timer); }
}

// A day of the calendar as the moment it begins, or the one after it does.
function moment(day, later) {
  if (!day) return "";
  const [year, month, date] = day.split("-").map(Number);
  return new Date(year, month - 1, date + later).toISOString();
}
