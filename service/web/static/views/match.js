// One match: first what to set for the thermal run, then how sure that is, then how it came about.

import { addressOf, ask } from "../api.js";
import { facts, fill, h, notice, table } from "../dom.js";
import { level, number, when, withUnit, word } from "../words.js";

export class MatchView {
  constructor(id) {
    this.id = id;
    this.element = h("div", { class: "sheets" }, h("section", { class: "sheet" }, "…"));
    this.load();
  }

  async load() {
    try {
      const { record: match, document: settings } = await ask(`matches/${this.id}`);
      const [part] = settings.coolers;
      fill(this.element,
        h("section", { class: "sheet half" },
          h("h1", {}, match.cooler),
          h("p", {}, word(match.outcome), part.why ? `: ${part.why}` : ""),
          facts([
            ...Object.entries(part.settings ?? {}).map(([name, setting]) => [name, `${withUnit(setting.duty_percent, "%")}, ${withUnit(setting.rpm, "rpm", 0)}`]),
            ["aim", level(match.target_db)],
            ["level of the cooler alone", level(match.LAeq_db, match.U95_db)],
            ["as the microphone read it", level(part.level?.as_read_db)],
            ["room floor", part.floor ? level(part.floor.LAeq_db, part.floor.U95_db) : null],
            ["above the floor", withUnit(part.margin_db, "dB")],
            ["settings heard", number(part.settings_visited, 0)],
            ["time", `${when(match.time)}, ${withUnit(part.bench_s, "s", 0)} on bench ${match.bench}`],
          ]),
          (part.warnings ?? []).map((warning) => h("p", {}, h("span", { class: "word bad" }, warning)))),
        h("section", { class: "sheet half" }, h("h2", {}, "Level over speed"),
          h("img", { src: addressOf(`matches/${this.id}/picture.svg`), alt: `Level of ${match.cooler} over speed, with every setting that was heard`, width: "800" })),
        part.tones?.length ? h("section", { class: "sheet" }, table("Tones at this setting",
          [{ text: "Frequency", number: true }, { text: "Level", number: true }, { text: "Above the noise beside it", number: true }, "Prominent"],
          part.tones.map((tone) => h("tr", {},
            h("td", { class: "number" }, withUnit(tone.frequency_hz, "Hz")),
            h("td", { class: "number" }, withUnit(tone.level_db, "dB")),
            h("td", { class: "number" }, withUnit(tone.tone_to_noise_ratio_db, "dB")),
            h("td", {}, tone.prominent ? "yes" : "no"))))) : null,
        h("section", { class: "sheet" }, h("h2", {}, "Evidence"),
          h("p", {}, "Every decision and every level behind it is in the trail, from which the match can be decided again."),
          h("div", { class: "row" },
            h("a", { class: "button plain", href: addressOf(`matches/${this.id}/trail`), download: `${match.cooler}.trail.jsonl` }, "Trail"),
            h("a", { class: "button plain", href: addressOf("matches/export", { id: this.id }), download: `${match.cooler}.json` }, "Settings as JSON"))));
    } catch (error) {
      notice(error.message);
    }
  }
}
