// First whether the microphone can be trusted now, and until when; then how to make it so.

import { ask, send } from "../api.js";
import { cell, facts, field, fill, form, h, notice, numeric, table } from "../dom.js";
import { trend } from "../charts.js";
import { duration, level, number, when, withUnit, word } from "../words.js";

export class MicrophoneView {
  constructor(id = null) {
    this.id = id;
    this.verdict = h("div", {}, "…");
    this.found = h("div", {}, h("p", { class: "quiet" }, "No tone was judged yet."));
    this.history = h("div");
    this.chart = h("div", { class: "chart" });
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet half" }, h("h1", {}, "Microphone"), this.verdict),
      h("section", { class: "sheet half tool" }, h("h2", {}, "Calibrate"),
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
      h("section", { class: "sheet" }, this.found),
      h("section", { class: "sheet" }, h("h2", {}, "Sensitivity over time"), this.chart, this.history));
    this.load();
  }

  onstatus({ calibration, input }) {
    const words = trust(calibration);
    const text = JSON.stringify([calibration.id, calibration.due, calibration.void, Math.round(calibration.age_s / 60), input]);
    if (text === this.words) return;
    this.words = text;
    fill(this.verdict,
      h("p", { class: "verdict" }, h("span", { class: `word ${words[1]}` }, words[0])),
      facts([
        ["input", input.name],
        ["sampling", input.rate_hz ? `${withUnit(input.rate_hz / 1000, "kHz", 1)}, channels: ${input.channels}, used: ${input.used_channels.join(", ")}` : "not reached yet"],
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
      fill(this.history, table("Calibrations and refused tones, newest first",
        ["Time", "Verdict", numeric("Pa per unit"), numeric("95 % interval"), numeric("Drift"), "Next due"],
        list.items.map((one) => h("tr", {},
          h("td", {}, h("a", { href: `#/microphone/${one.id}` }, when(one.time))),
          h("td", {}, word(one.accepted ? "accepted" : "tone-refused")),
          cell(number(one.pascal_per_unit, 4)),
          cell(one.U95_db === null ? "–" : `± ${withUnit(one.U95_db, "dB", 2)}`),
          cell(withUnit(one.drift_db, "dB", 2)),
          h("td", {}, when(one.next_due))))));
      const shown = this.id ?? list.items[0]?.id;
      if (shown) this.showFound((await ask(`calibrations/${shown}`)).document);
      const [first] = points.items;
      if (!first) {
        fill(this.chart, h("p", { class: "quiet" }, "The line begins with the first calibration."));
        return;
      }
      await trend(this.chart, {
        title: "dB against the first one",
        lines: [{ name: "sensitivity", x: points.items.map((point) => point.time), y: points.items.map((point) => 20 * Math.log10(first.pascal_per_unit / point.pascal_per_unit)), marks: true }],
      });
    } catch (error) {
      notice(error.message);
    }
  }

  showFound({ accepted, reasons, remarks, tone, time, reference_level_db: label, reference_frequency_hz: hz, channel, U95_db: u95 }) {
    fill(this.found,
      h("h2", {}, `What was found at ${when(time)}`),
      h("p", {}, word(accepted ? "accepted" : "tone-refused"), accepted ? ": the tone is steady, clean and where it should be." : ""),
      reasons.length ? h("ul", {}, reasons.map((reason) => h("li", {}, reason))) : null,
      (remarks ?? []).map((remark) => h("p", {}, h("span", { class: "word wait" }, remark))),
      facts([
        ["calibrator", label ? `${level(label, null, "dB")} at ${withUnit(hz, "Hz", 0)}` : null],
        ["channel", String(channel)],
        ["tone heard at", withUnit(tone.frequency_hz, "Hz")],
        ["level re full scale", withUnit(tone.level_dbfs, "dB")],
        ["steady within", `± ${withUnit(tone.stability_db, "dB", 3)}`],
        ["distortion", withUnit(tone.distortion_percent, "%", 2)],
        ["above everything else", withUnit(tone.signal_to_noise_db, "dB")],
        ["95 % interval of levels", u95 === null ? null : `± ${withUnit(u95, "dB", 2)}`],
      ]));
  }
}

// Whether levels can be trusted now, in words, and how that is shown.
export function trust({ time, void: isVoid, due }) {
  if (time === null) return ["not calibrated", "bad"];
  if (isVoid) return ["has drifted too far", "bad"];
  return due ? ["due for calibration", "wait"] : ["can be trusted", "good"];
}
