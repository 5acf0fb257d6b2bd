// One cooler: first its matched settings and whether they still hold; then what can be measured.

import { ask, change, send } from "../api.js";
import { profileChart } from "../charts.js";
import { action, cell, facts, field, fill, form, h, notice, numeric, table, tick } from "../dom.js";
import { doubtMark, loadDoubts } from "../doubts.js";
import { driven, level, number, targetsIn, when, withUnit, word } from "../words.js";

export class CoolerView {
  constructor(id) {
    this.id = id;
    this.head = h("h1", {}, "…");
    this.facts = h("div");
    this.matches = h("div");
    this.rechecks = h("div");
    this.profile = h("div");
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, this.head, this.facts),
      h("section", { class: "sheet" }, h("h2", {}, "Matched so far"), this.matches),
      h("section", { class: "sheet" }, h("h2", {}, "Checked again"), this.rechecks),
      h("section", { class: "sheet half tool" }, h("h2", {}, "Match"),
        form([
          field("Targets, dB(A), apart by spaces", "targets", { value: "40", required: true }),
          field("Hold the pump at, %", "pump_duty_percent", { type: "number", min: "0", max: "100" }),
          tick("Let the pump follow the fans", "pump_follows"),
          tick("Ignore what was heard before", "fresh"),
        ], "Match", async ({ targets, ...others }) => this.begin("match", { ...others, targets_db: targetsIn(targets) }))),
      h("section", { class: "sheet half tool" }, h("h2", {}, "Sweep, or check again"),
        h("p", {}, "A sweep hears every speed from lowest to full. Later matches start from it, and it shows resonances. Fans will run at full speed."),
        form([], "Sweep", () => this.begin("sweep", {})),
        h("p", {}, "A re-check sets the last matched speeds once more and says whether they still hold."),
        form([], "Check again", () => this.begin("recheck", {}))),
      h("section", { class: "sheet" }, h("h2", {}, "Level over speed"), this.profile));
    this.load();
  }

  async begin(kind, asked) {
    const job = await send(`coolers/${this.id}/${kind}`, asked);
    location.hash = `#/jobs/${job.id}`;
  }

  async load() {
    try {
      if (this.id.startsWith("named ")) {
        const name = this.id.slice(6);
        const { items } = await ask("coolers", { limit: 200 });
        this.id = items.find((cooler) => cooler.name === name)?.id ?? this.id;
      }
      const [cooler, history, doubts] = await Promise.all([ask(`coolers/${this.id}`), ask(`coolers/${this.id}/history`), loadDoubts()]);
      const name = cooler.document.cooler;
      this.head.textContent = name;
      this.showDescription(cooler);
      this.showMatches(history.matches, doubts);
      this.showRechecks(history.rechecks, doubts);
      await this.showProfile(name, history.profiles[0], doubts);
    } catch (error) {
      notice(error.message);
    }
  }

  showDescription({ record, document: about }) {
    fill(this.facts,
      record.retired ? h("p", {}, h("span", { class: "word wait" }, `retired ${when(record.retired)}`)) : null,
      facts([
        ["fans", about.fans === null ? null : String(about.fans)],
        ["blades of a fan", about.blades === null ? null : String(about.blades)],
        ["poles of the pump's motor", about.pump_poles === null ? null : String(about.pump_poles)],
        ["price", about.price === null ? null : `${number(about.price, 2)} ${about.currency ?? ""}`],
        ["notes", about.notes],
      ]),
      h("details", {}, h("summary", {}, "Change"),
        form([h("label", {}, "Notes", h("textarea", { name: "notes", rows: "3", cols: "40", maxLength: 4000 }, about.notes))], "Keep the notes", async ({ notes }) => {
          await change(`coolers/${this.id}`, { notes: notes ?? "" });
          await this.load();
        }),
        action(record.retired ? "Use it again" : "Retire it", async () => {
          await change(`coolers/${this.id}`, { retired: !record.retired });
          await this.load();
        }, { class: "plain" })));
  }

  showMatches(matches, doubts) {
    fill(this.matches, matches.length ? table("Newest first",
      ["Time", numeric("Aim"), "Outcome", numeric("Level"), numeric("Fan"), numeric("Pump"), "Calibration"],
      matches.map((match) => h("tr", {},
        h("td", {}, h("a", { href: `#/matches/${match.id}` }, when(match.time))),
        cell(level(match.target_db)),
        h("td", {}, word(match.outcome)),
        cell(level(match.LAeq_db, match.U95_db)),
        cell(driven(match.fan_duty_percent, match.fan_rpm)),
        cell(driven(match.pump_duty_percent, match.pump_rpm)),
        h("td", {}, doubtMark(doubts, match.time, match.void) ?? "in order"))))
      : h("p", { class: "quiet" }, "Not matched yet."));
  }

  showRechecks(rechecks, doubts) {
    fill(this.rechecks, rechecks.length ? table("Newest first",
      ["Time", "Outcome", numeric("Level then"), numeric("Now louder by"), "Calibration"],
      rechecks.map((one) => h("tr", {},
        h("td", {}, when(one.time)),
        h("td", {}, word(one.outcome)),
        cell(level(one.then_LAeq_db)),
        cell(one.difference_db === null ? "–" : `${number(one.difference_db, 2)} ± ${withUnit(one.difference_U95_db, "dB", 2)}`),
        h("td", {}, doubtMark(doubts, one.time) ?? "in order"))))
      : h("p", { class: "quiet" }, "Not checked again yet."));
  }

  async showProfile(name, newest, doubts) {
    if (!newest) {
      fill(this.profile, h("p", { class: "quiet" }, "Not swept yet."));
      return;
    }
    const { document: profile } = await ask(`profiles/${newest.id}`);
    const chart = h("div", { class: "chart", role: "img", "aria-label": `Level of ${name} over its speed` });
    fill(this.profile, h("figure", {}, chart, h("figcaption", {}, `Swept ${when(newest.time)}. ${profile.why} `, doubtMark(doubts, newest.time))),
      profile.resonances.length ? table("Resonances", [numeric("From"), numeric("To"), numeric("Louder by")],
        profile.resonances.map((found) => h("tr", {},
          cell(number(found.low, 0)), cell(number(found.high, 0)), cell(`${number(found.height_db)} ± ${withUnit(found.U95_db, "dB")}`)))) : null,
      h("details", {}, h("summary", {}, "As a table"), table("Settings that were listened to", [numeric("Fan"), numeric("Speed"), numeric("Cooler alone")],
        profile.points.map((point) => h("tr", {}, cell(withUnit(point.fan_duty_percent, "%")), cell(withUnit(point.fan_rpm, "rpm", 0)), cell(level(point.LAeq_db, point.U95_db)))))));
    await profileChart(chart, profile);
  }
}
