// One match: first what to set for the thermal run, then how sure that is, then how it came about.

import { addressOf, ask, send } from "../api.js";
import { action, facts, fill, h, notice, table } from "../dom.js";
import { doubtMark, loadDoubts } from "../doubts.js";
import { readTrail, showTrail } from "../trail.js";
import { level, number, sentence, when, withUnit, word } from "../words.js";

export class MatchView {
  constructor(id) {
    this.id = id;
    this.trail = h("div", {}, h("p", { class: "quiet" }, "Reading the trail."));
    this.element = h("div", { class: "sheets" }, h("section", { class: "sheet" }, "…"));
    this.load();
  }

  async load() {
    try {
      const [{ record: match, document: settings }, doubts] = await Promise.all([ask(`matches/${this.id}`), loadDoubts()]);
      const [part] = settings.coolers;
      const doubt = doubtMark(doubts, match.time, match.void);
      fill(this.element,
        h("section", { class: "sheet half" },
          h("h1", {}, match.cooler),
          doubt ? h("p", { class: "wants" }, doubt) : null,
          h("p", {}, word(match.outcome), part.why ? `: ${sentence(part.why)}` : ""),
          part.settings ? h("p", { class: "set" }, Object.entries(part.settings).map(([name, setting]) => h("span", {},
            h("span", { class: "quiet" }, `${name} `), h("strong", {}, withUnit(setting.duty_percent, "%")), setting.rpm === null ? "" : ` ${withUnit(setting.rpm, "rpm", 0)}`))) : null,
          facts([
            ["aim", level(match.target_db)],
            ["level of the cooler alone", level(match.LAeq_db, match.U95_db)],
            ["as the microphone read it", level(part.level?.as_read_db)],
            ["room floor", part.floor ? level(part.floor.LAeq_db, part.floor.U95_db) : null],
            ["above the floor", part.margin_db === null ? null : withUnit(part.margin_db, "dB")],
            ["settings heard", number(part.settings_visited, 0)],
            ["calibrated", when(settings.chain?.calibration_time)],
            ["drift by the calibration after", match.drift_db === null ? "not calibrated since" : withUnit(match.drift_db, "dB", 2)],
            ["time", `${when(match.time)}, ${withUnit(part.bench_s, "s", 0)} on bench ${match.bench}`],
          ]),
          (part.warnings ?? []).map((warning) => h("p", {}, h("span", { class: "word bad" }, sentence(warning)))),
          h("div", { class: "row" },
            action("Check again", async () => {
              const job = await send("jobs", { kind: "recheck", cooler: match.cooler, matches: [match.id] });
              location.hash = `#/jobs/${job.id}`;
            }),
            h("a", { class: "button plain", href: addressOf("matches/export", { id: this.id }), download: `${match.cooler}.json` }, "Settings as JSON"),
            match.trail ? h("a", { class: "button plain", href: addressOf(`matches/${this.id}/trail`), download: `${match.cooler}.trail.jsonl` }, "Trail as a file") : null)),
        match.trail ? h("section", { class: "sheet half" }, h("h2", {}, "Level over speed"),
          h("img", { src: addressOf(`matches/${this.id}/picture.svg`), alt: `Level of ${match.cooler} over speed, with every setting that was heard`, width: "800", height: "560" })) : null,
        part.tones?.length ? h("section", { class: "sheet" }, table("Tones at this setting",
          [{ text: "Frequency", number: true }, { text: "Level", number: true }, { text: "Above the noise beside it", number: true }, "Prominent"],
          part.tones.map((tone) => h("tr", {},
            h("td", { class: "number" }, withUnit(tone.frequency_hz, "Hz")),
            h("td", { class: "number" }, withUnit(tone.level_db, "dB")),
            h("td", { class: "number" }, withUnit(tone.tone_to_noise_ratio_db, "dB")),
            h("td", {}, tone.prominent ? "yes" : "no"))))) : null,
        h("section", { class: "sheet" }, h("h2", {}, "How it was decided"), this.trail));
      if (!match.trail) {
        fill(this.trail, h("p", { class: "quiet" }, "No trail of this match is kept."));
        return;
      }
      showTrail(this.trail, readTrail(await ask(`matches/${this.id}/trail`)));
    } catch (error) {
      notice(error.message);
    }
  }
}
