// The trail of a match in words: what was set, how long was listened, what was said, how it ended.

import { fill, h, numeric, cell, table } from "./dom.js";
import { number, plainWord, sentence, withUnit } from "./words.js";

export function readTrail(text) {
  const lines = text.trim().split("\n").map((line) => JSON.parse(line));
  const head = lines.shift();
  const result = lines.at(-1)?.result ? lines.pop().result : null;
  return { head, steps: together(lines), result };
}

// Listening on at the same setting is one step to a reader.
function together(lines) {
  const steps = [];
  let heard_s = 0;
  for (const line of lines) {
    const last = steps.at(-1);
    if (line.remark) steps.push({ at_s: heard_s, remark: line.remark });
    else if (line.set_duty) steps.push({ at_s: heard_s, set: line.set_duty });
    else {
      const listened = { listened_s: line.listen_s, left_out: line.invalid?.length ?? 0, state: line.state };
      if (last?.listened_s) Object.assign(last, { listened_s: last.listened_s + listened.listened_s, left_out: last.left_out + listened.left_out, state: listened.state });
      else steps.push({ at_s: heard_s, ...listened });
      heard_s += line.listen_s;
    }
  }
  return steps;
}

export function showTrail(place, { head, steps, result }) {
  const visited = result?.visited ?? [];
  fill(place,
    visited.length ? table("Levels it was decided by", [numeric("No."), "Set to", numeric("As read"), numeric("Cooler alone"), numeric("Heard for"), numeric("Left out")],
      visited.map((one, at) => h("tr", {},
        cell(String(at + 1)), h("td", {}, duties(one.actuators) + (one.as_found ? ", as it was found" : "")),
        cell(spread(one.reading)), cell(spread(one.level)), cell(withUnit(one.listened_s, "s", 0)), cell(withUnit(one.rejected_s, "s"))))) : null,
    h("p", { class: "quiet" }, "± is one standard deviation of what is known of the level."),
    h("h3", {}, "Step by step"),
    h("ol", { class: "steps" },
      h("li", {}, `Asked for ${head.request.target_db === null ? "a loudness" : `${number(head.request.target_db)} ± ${withUnit(head.request.tolerance_db, "dB(A)")}`}`
        + `${head.learned ? ", with what was known from before" : ""}.`),
      steps.map((step) => h("li", {}, h("span", { class: "quiet" }, `${withUnit(step.at_s, "s")} `), words(step))),
      result ? h("li", {}, h("strong", {}, `${plainWord(result.outcome)}. `), sentence(result.why ?? "")) : h("li", {}, "It did not come to an end.")));
}

function words(step) {
  if (step.remark) return sentence(step.remark);
  if (step.set) return `Set ${Object.entries(step.set).map(([name, percent]) => `${name} to ${withUnit(percent, "%", 2)}`).join(", ")}.`;
  const left = step.left_out ? `; ${withUnit(step.left_out / 10, "s")} of it do not count` : "";
  return `Listened for ${withUnit(step.listened_s, "s")} at ${duties(step.state?.actuators ?? {})}${left}.`;
}

const duties = (actuators) => Object.entries(actuators).map(([name, one]) => `${name} ${withUnit(one.duty_percent, "%", 2)}${one.rpm === null ? "" : `, ${withUnit(one.rpm, "rpm", 0)}`}`).join("; ");
const spread = (level) => (level ? `${number(level.mean_db, 2)} ± ${withUnit(level.sd_db, "dB", 2)}` : "–");
