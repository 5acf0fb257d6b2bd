// First whether the microphone can be trusted now, and until when; then how to make it so.

import { ask, send } from "../api.js";
import { facts, field, fill, form, h, notice, table } from "../dom.js";
import { trend } from "../charts.js";
import { duration, number, when, withUnit, word } from "../words.js";

export class MicrophoneView {
  constructor() {
    this.verdict = h("div", {}, "…");
    this.history = h("div");
    this.chart = h("div", { class: "chart" });
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet half" }, h("h1", {}, "Microphone"), this.verdict),
      h("section", { class: "sheet half" }, h("h2", {}, "Calibrate"),
        h("ol", {},
          h("li", {}, "Put the calibrator over the microphone until it sits; it must not be held by hand."),
          h("li", {}, "Switch it on and press Begin. The Work view asks once more before it listens."),
          h("li", {}, "Leave it alone until the verdict is there.")),
        form([
          field("Level on its label, dB", "level_db", { type: "number", value: "94", step: "0.01", min: "60", max: "140", required: true }),
          field("Frequency, Hz", "frequency_hz", { type: "number", value: "1000", step: "0.1", min: "20", max: "20000", required: true }),
          field("Channel", "channel", { type: "number", value: "1", min: "1", max: "64", required: true }),
        ], "Begin", async (asked) => {
          const job = await send("calibrations", asked);
          location.hash = `#/jobs/${job.id}`;
        }),
        h("p", { class: "quiet" }, "A calibrator is loud at the microphone and quiet beside it; do not put it to an ear.")),
      h("section", { class: "sheet" }, h("h2", {}, "Sensitivity over time"), this.chart, this.history));
    this.load();
  }

  onstatus({ calibration, input }) {
    const words = calibration.time === null ? ["not calibrated", "bad"]
      : calibration.void ? ["has drifted too far", "bad"]
        : calibration.due ? ["due for calibration", "wait"] : ["can be trusted", "good"];
    fill(this.verdict,
      h("p", {}, h("span", { class: `word ${words[1]}` }, words[0])),
      facts([
        ["input", input.name],
        ["sampling", input.rate_hz ? `${withUnit(input.rate_hz / 1000, "kHz", 1)}, ${input.channels} channel(s), used: ${input.used_channels.join(", ")}` : "not reached yet"],
        ["calibrated", calibration.time ? `${when(calibration.time)}, ${duration(calibration.age_s)} ago` : "never"],
        ["next due", calibration.next_due ? when(calibration.next_due) : null],
        ["sensitivity", calibration.pascal_per_unit ? `${number(calibration.pascal_per_unit, 4)} Pa per unit of full scale` : null],
        ["drift since the one before", calibration.drift_db === null ? null : withUnit(calibration.drift_db, "dB", 2)],
        ["95 % interval of levels", calibration.U95_db === null ? null : `± ${withUnit(calibration.U95_db, "dB", 2)}`],
      ]));
  }

  async load() {
    try {
      const [list, points] = await Promise.all([ask("calibrations", { limit: 50 }), ask("calibrations/trend")]);
      fill(this.history, table("Calibrations, newest first",
        ["Time", "Verdict", { text: "Pa per unit", number: true }, { text: "95 % interval", number: true }, { text: "Drift", number: true }],
        list.items.map((one) => h("tr", {},
          h("td", {}, when(one.time)),
          h("td", {}, word(one.accepted ? "done" : "refused")),
          h("td", { class: "number" }, number(one.pascal_per_unit, 4)),
          h("td", { class: "number" }, one.U95_db === null ? "–" : `± ${withUnit(one.U95_db, "dB", 2)}`),
          h("td", { class: "number" }, one.drift_db === null ? "–" : withUnit(one.drift_db, "dB", 2))))));
      const [first] = points.items;
      await trend(this.chart, {
        title: "Sensitivity against the first calibration, dB",
        lines: [{ name: "sensitivity", x: points.items.map((point) => point.time), y: points.items.map((point) => 20 * Math.log10(first.pascal_per_unit / point.pascal_per_unit)), marks: true }],
      });
    } catch (error) {
      notice(error.message);
    }
  }
}
