// One cooler: first its matched settings, then its level over speed, then what can be measured.

import { ask, send } from "../api.js";
import { profileChart } from "../charts.js";
import { field, fill, form, h, notice, table, tick } from "../dom.js";
import { level, number, when, withUnit, word } from "../words.js";

export class CoolerView {
  constructor(id) {
    this.id = id;
    this.head = h("h1", {}, "…");
    this.facts = h("div");
    this.matches = h("div");
    this.profile = h("div");
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, this.head, this.facts),
      h("section", { class: "sheet half" }, h("h2", {}, "Match"),
        form([
          field("Targets, dB(A), apart by spaces", "targets", { value: "40", required: true }),
          field("Hold the pump at, %", "pump_duty_percent", { type: "number", min: "0", max: "100" }),
          tick("Let the pump follow the fans", "pump_follows"),
          tick("Ignore what was heard before", "fresh"),
        ], "Match", async ({ targets, ...others }) => this.begin("match", {
          ...others, targets_db: targets.split(/[\s;]+/).filter(Boolean).map((text) => Number(text.replace(",", "."))),
        }))),
      h("section", { class: "sheet half" }, h("h2", {}, "Sweep, or check again"),
        h("p", {}, "A sweep hears every speed from lowest to full. Later matches start from it, and it shows resonances. Fans will run at full speed."),
        form([], "Sweep", () => this.begin("sweep", {})),
        h("p", {}, "A re-check sets the last matched speeds once more and says whether they still hold."),
        form([], "Check again", () => this.begin("recheck", {}))),
      h("section", { class: "sheet" }, h("h2", {}, "Matched so far"), this.matches),
      h("section", { class: "sheet" }, h("h2", {}, "Level over speed"), this.profile));
    this.load();
  }

  async begin(kind, asked) {
    const job = await send(`coolers/${this.id}/${kind}`, asked);
    location.hash = `#/jobs/${job.id}`;
  }

  async load() {
    try {
      const [cooler, history] = await Promise.all([ask(`coolers/${this.id}`), ask(`coolers/${this.id}/history`)]);
      const { cooler: name, notes } = cooler.document;
      this.head.textContent = name;
      fill(this.facts, notes ? h("p", {}, notes) : null);
      fill(this.matches, history.matches.length ? table("Newest first",
        ["Time", { text: "Aim", number: true }, "Outcome", { text: "Level", number: true }, { text: "Fan", number: true }, { text: "Pump", number: true }],
        history.matches.map((match) => h("tr", {},
          h("td", {}, h("a", { href: `#/matches/${match.id}` }, when(match.time))),
          h("td", { class: "number" }, level(match.target_db)),
          h("td", {}, word(match.outcome)),
          h("td", { class: "number" }, level(match.LAeq_db, match.U95_db)),
          h("td", { class: "number" }, withUnit(match.fan_rpm, "rpm", 0)),
          h("td", { class: "number" }, withUnit(match.pump_rpm, "rpm", 0)))))
        : h("p", { class: "quiet" }, "Not matched yet."));
      const [newest] = history.profiles;
      if (!newest) {
        fill(this.profile, h("p", { class: "quiet" }, "Not swept yet."));
        return;
      }
      const { document: profile } = await ask(`profiles/${newest.id}`);
      const chart = h("div", { class: "chart", role: "img", "aria-label": `Level of ${name} over its speed` });
      fill(this.profile, h("figure", {}, chart, h("figcaption", {}, `Swept ${when(newest.time)}. ${profile.why}`)),
        profile.resonances.length ? table("Resonances", [{ text: "From", number: true }, { text: "To", number: true }, { text: "Louder by", number: true }],
          profile.resonances.map((found) => h("tr", {},
            h("td", { class: "number" }, number(found.low, 0)), h("td", { class: "number" }, number(found.high, 0)),
            h("td", { class: "number" }, `${number(found.height_db)} ± ${withUnit(found.U95_db, "dB")}`)))) : null);
      await profileChart(chart, profile);
    } catch (error) {
      notice(error.message);
    }
  }
}
