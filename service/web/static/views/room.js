// First whether the room is quiet enough for the aim now; then what hums in it; then how it was.

import { ask, send } from "../api.js";
import { cell, facts, field, fill, form, h, notice, numeric, table, tick } from "../dom.js";
import { trend } from "../charts.js";
import { DayHours } from "../day_hours.js";
import { doubtMark, loadDoubts } from "../doubts.js";
import { LevelLog } from "../level_log.js";
import { duration, level, when, withUnit } from "../words.js";

const SPANS = { "1": "a day", "7": "a week", "30": "a month", "90": "three months" };

export class RoomView {
  constructor(id = null) {
    this.id = id;
    this.verdict = h("div", {}, "…");
    this.tones = h("div");
    this.hours = h("div");
    this.day = new DayHours();
    this.days = h("select", { "aria-label": "How far back", onchange: () => this.loadTrend() },
      Object.entries(SPANS).map(([days, name]) => h("option", { value: days, selected: days === "7" }, name)));
    this.chart = h("div", { class: "chart" });
    this.log = new LevelLog();
    this.list = h("div");
    this.check = h("section", { class: "sheet", hidden: true });
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet half" }, h("h1", {}, "Room"), this.verdict),
      h("section", { class: "sheet half tool" }, h("h2", {}, "Check the floor now"),
        form([
          field("Listen for, s", "seconds", { type: "number", value: "30", min: "6", max: "3600", required: true }),
          tick("Turn fans and pump to their lowest meanwhile", "lower_fans"),
        ], "Check", async (asked) => {
          const job = await send("floor-checks", asked);
          location.hash = `#/jobs/${job.id}`;
        })),
      this.check,
      h("section", { class: "sheet half" }, h("h2", {}, "Hum and other tones"), this.tones),
      h("section", { class: "sheet half" }, h("h2", {}, "Quiet hours"), this.day.paper.canvas, this.hours),
      h("section", { class: "sheet" }, h("div", { class: "row" }, h("h2", {}, "Floor checks over"), this.days), this.chart),
      h("section", { class: "sheet" }, h("h2", {}, "Everything that was heard"), this.log.element),
      h("section", { class: "sheet" }, this.list));
    this.load();
    this.loadTrend();
    this.timer = setInterval(() => { if (!document.hidden) this.load(); }, 15000);
  }

  async load() {
    try {
      const ahead = -new Date().getTimezoneOffset();
      const [review, checks, doubts] = await Promise.all([ask("room", { ahead_min: ahead }), ask("floor-checks", { limit: 20 }), loadDoubts()]);
      const newest = checks.items[0];
      this.showVerdict(review, newest ? doubtMark(doubts, newest.time) : null, newest);
      this.showTones(review);
      this.showHours(review);
      fill(this.list, table("The last floor checks",
        ["Time", numeric("Floor"), numeric("LA90"), numeric("Fit from"), "Asked for", "Calibration"],
        checks.items.map((one) => h("tr", { class: one.id === this.id ? "chosen" : null },
          h("td", {}, h("a", { href: `#/room/${one.id}` }, when(one.time))),
          cell(level(one.LAeq_db, one.U95_db)), cell(level(one.LA90_db)), cell(level(one.fit_for_target_db)),
          h("td", {}, one.scheduled ? "by itself" : "by a person"),
          h("td", {}, doubtMark(doubts, one.time) ?? "in order")))));
      if (this.id && this.check.hidden) await this.showCheck();
    } catch (error) {
      notice(error.message);
    }
  }

  showVerdict({ fit, why, schedule, target_db: target }, doubt, newest) {
    const { every_min: every, listens_s: seconds, lowers_fans: lowers, next } = schedule;
    fill(this.verdict,
      h("p", { class: "verdict" }, h("span", { class: `word ${fit === null ? "wait" : fit ? "good" : "bad"}` },
        fit === null ? newest ? "not known" : "never checked" : fit ? `fit for ${withUnit(target, "dB(A)")}` : `too loud for ${withUnit(target, "dB(A)")}`)),
      newest ? h("p", {}, why) : null,
      doubt ? h("p", {}, doubt) : null,
      facts([
        ["floor", newest ? level(newest.LAeq_db, newest.U95_db) : null],
        ["heard", newest ? when(newest.time) : null],
        ["schedule", every ? `every ${duration(60 * every)}, ${duration(seconds)} each, ${lowers ? "fans turned down for it" : "only while nothing turns"}` : "none; checks are made by people and by matches"],
        ["next", next ? (Date.parse(next) < Date.now() ? "as soon as nothing turns and nothing is measured" : when(next)) : null],
      ]));
  }

  showTones({ tones, compared, check }) {
    fill(this.tones, check === null ? h("p", { class: "quiet" }, "The first floor check looks for them.")
      : tones.length ? table(`In the last check, compared with ${compared} before`,
        [numeric("Frequency"), numeric("Level"), numeric("Above the noise beside it"), "There since", "Prominent"],
        tones.map((tone) => h("tr", {},
          cell(withUnit(tone.frequency_hz, "Hz")), cell(withUnit(tone.level_db, "dB")), cell(withUnit(tone.tone_to_noise_ratio_db, "dB")),
          h("td", {}, tone.new ? h("span", { class: "word wait" }, "new") : when(tone.since)),
          h("td", {}, tone.prominent ? "yes" : "no"))))
        : h("p", {}, "No tone stands out of the room."));
  }

  showHours({ hours, target_db: target }) {
    this.day.paper.canvas.hidden = !hours.length;
    if (!hours.length) {
      fill(this.hours, h("p", { class: "quiet" }, "Checks of several days will show them."));
      return;
    }
    this.day.show(hours);
    const quiet = hours.filter((one) => one.fit).map((one) => one.hour);
    fill(this.hours,
      h("p", {}, quiet.length ? `Usually fit for ${withUnit(target, "dB(A)")}: ${inWords(quiet)}.` : `In no hour usually fit for ${withUnit(target, "dB(A)")}.`),
      h("details", {}, h("summary", {}, "As a table"), table("Floor by the hour of the day, last four weeks", ["From", numeric("Usual floor"), numeric("Loudest"), numeric("Checks")],
        hours.map((one) => h("tr", {}, h("td", {}, clock(one.hour)), cell(level(one.usual_LAeq_db)), cell(level(one.highest_LAeq_db)), cell(String(one.checks)))))));
  }

  async showCheck() {
    const { document: floor } = await ask(`floor-checks/${this.id}`);
    const turning = Object.keys(floor.turning_rpm ?? {});
    this.check.hidden = false;
    fill(this.check, h("h2", {}, `The check of ${when(floor.time)}`),
      facts([
        ["floor", level(floor.LAeq_db, floor.U95_db)],
        ["exceeded nine tenths of the time", level(floor.LA90_db)],
        ["listened", `${withUnit(floor.listened_s, "s", 0)}, ${withUnit(floor.rejected_s, "s")} of it left out`],
        ["fit for targets from", level(floor.fit_for_target_db)],
        ["without any remark from", level(floor.comfortable_target_db)],
        ["turning meanwhile", turning.length ? turning.join(", ") : floor.turning_rpm === null ? "nobody looked" : "nothing"],
        ["calibrated", when(floor.calibration_time)],
        ["tones", floor.tones.length ? floor.tones.map((tone) => withUnit(tone.frequency_hz, "Hz")).join(", ") : "none"],
      ]),
      floor.warnings.map((warning) => h("p", {}, h("span", { class: "word wait" }, warning))));
  }

  async loadTrend() {
    try {
      const points = await ask("floor-checks/trend", { since: new Date(Date.now() - Number(this.days.value) * 86400e3).toISOString() });
      if (!points.items.length) {
        fill(this.chart, h("p", { class: "quiet" }, "No check falls into that time."));
        return;
      }
      const times = points.items.map((point) => point.time);
      await trend(this.chart, { title: "Level, dB(A)", lines: [
        { name: "lowest LAeq", x: times, y: points.items.map((point) => point.lowest_LAeq_db), thin: true, pen: "floor" },
        { name: "highest LAeq", x: times, y: points.items.map((point) => point.highest_LAeq_db), thin: true, fill: true, pen: "floor" },
        { name: "LAeq", x: times, y: points.items.map((point) => point.LAeq_db), marks: true },
        { name: "LA90", x: times, y: points.items.map((point) => point.LA90_db), dash: true, pen: "aim" },
      ] });
    } catch (error) {
      notice(error.message);
    }
  }

  close() {
    clearInterval(this.timer);
    this.day.close();
    this.log.close();
  }
}

const clock = (hour) => `${String(hour).padStart(2, "0")}:00`;

// Hours that follow each other as one stretch: "22:00 to 06:00".
function inWords(hours) {
  if (hours.length === 24) return "at any hour";
  const all = new Set(hours);
  const starts = hours.filter((hour) => !all.has((hour + 23) % 24));
  return starts.map((start) => {
    let end = start;
    while (all.has(end % 24)) end += 1;
    return `${clock(start)} to ${clock(end % 24)}`;
  }).join(", ");
}
