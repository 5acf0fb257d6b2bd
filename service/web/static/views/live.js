// First the level now and whether it can be trusted; then how far floor and aim are; then the bench.

import { send } from "../api.js";
import { action, facts, fill, h } from "../dom.js";
import { LastMinute, Ruler, Spectrum } from "../live_drawings.js";
import { duration, level, number, when, withUnit, word } from "../words.js";
import { trust } from "./microphone.js";

const BANDS_HZ = Array.from({ length: 31 }, (_, at) => 1000 * 10 ** ((at - 17) / 10));
const SPECTRUM_HZ = Array.from({ length: 400 }, (_, at) => 20 * 1000 ** (at / 399));

export class LiveView {
  constructor() {
    this.ruler = new Ruler();
    this.minute = new LastMinute();
    this.spectrum = new Spectrum(BANDS_HZ, SPECTRUM_HZ);
    this.big = h("output", { class: "big", "aria-label": "Level now" }, "–");
    this.unit = h("span", { class: "unit" });
    this.means = h("dl");
    this.trust = h("p", { class: "trust" });
    this.doubt = h("p", { class: "quiet", role: "status" });
    this.now = h("div", { class: "now" }, h("div", {}, this.big, " ", this.unit), h("div", {}, this.means,
      action("Begin the mean anew", () => send("live/reset"), { class: "plain" })));
    this.bench = h("div", { class: "far" });
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, h("h1", { class: "quiet" }, "Level now"), this.now, this.trust, this.doubt, this.ruler.paper.canvas),
      h("section", { class: "sheet wide" }, h("h2", {}, "The last minute"), this.minute.paper.canvas),
      h("section", { class: "sheet third" }, h("h2", {}, "What the bench does"), this.bench),
      h("section", { class: "sheet" },
        h("figure", {}, this.spectrum.paper.canvas,
          h("figcaption", {}, "Stems: one-third octaves, unweighted. Line: the spectrum."))));
    this.words = "";
  }

  onstatus({ calibration }) {
    const [words, kind] = trust(calibration);
    const text = `${words} ${calibration.next_due}`;
    if (text === this.trusted) return;
    this.trusted = text;
    fill(this.trust, h("span", { class: "quiet" }, "Microphone: "), h("span", { class: `word ${kind}` }, words),
      calibration.time ? h("span", { class: "quiet" }, `, calibrated ${when(calibration.time)}, next due ${when(calibration.next_due)}`) : null);
  }

  onframe(frame) {
    this.big.textContent = number(frame.LAF_db);
    this.unit.textContent = frame.calibrated ? "dB(A), F" : "dB re full scale";
    this.now.classList.toggle("doubtful", !frame.valid);
    const doubt = frame.valid ? "" : `This does not count: ${frame.faults.join("; ")}.`;
    if (this.doubt.textContent !== doubt) this.doubt.textContent = doubt;
    this.showMeans(frame);
    this.ruler.draw(frame);
    this.minute.add(frame);
    this.spectrum.draw(frame);
    this.showBench(frame);
  }

  showMeans(frame) {
    const unit = frame.calibrated ? "dB(A)" : "dB";
    const words = [
      ["last second", level(frame.LAeq_1s_db, null, unit)],
      [`mean of ${duration(frame.LAeq_s)}`, level(frame.LAeq_db, null, unit)],
      ...(frame.target_db === null ? [] : [["aim", level(frame.target_db)]]),
      ...(frame.floor_db === null ? [] : [["room floor", level(frame.floor_db)]])].flat();
    if (this.means.childElementCount !== words.length) fill(this.means, words.map((_, at) => h(at % 2 ? "dd" : "dt")));
    words.forEach((text, at) => {
      const cell = this.means.children[at];
      if (cell.textContent !== text) cell.textContent = text;
    });
  }

  showBench({ bench, job }) {
    // Made anew only when something else is to be read, so that a reader's cursor is left alone.
    const words = JSON.stringify([bench, job?.words]);
    if (words === this.words) return;
    this.words = words;
    if (!bench) {
      fill(this.bench, h("p", { class: "quiet" }, "No bench is configured."));
      return;
    }
    fill(this.bench,
      h("p", {}, word(bench.control), bench.holder ? ` by ${bench.holder}` : "", bench.why ? `: ${bench.why}` : ""),
      facts([
        ["mounted", bench.mounted],
        ...Object.entries(bench.actuators).map(([name, actuator]) => [name,
          `${withUnit(actuator.duty_percent, "%", 0)}, ${withUnit(actuator.rpm, "rpm", 0)}`]),
        ...Object.entries(bench.temperatures_c).map(([name, celsius]) => [name,
          withUnit(celsius, "°C", 0) + (bench.temperature_limits_c[name] ? ` of at most ${number(bench.temperature_limits_c[name], 0)}` : "")]),
      ]),
      job ? h("p", {}, job.words) : null);
  }

  close() {
    for (const drawing of [this.ruler, this.minute, this.spectrum]) drawing.close();
  }
}
