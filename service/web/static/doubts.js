// Whether what was measured at some time stands on a calibration that was overdue or had drifted.

import { ask } from "./api.js";
import { h } from "./dom.js";
import { withUnit } from "./words.js";

export async function loadDoubts() {
  const { items } = await ask("calibrations/doubts");
  return items.map((one) => ({ ...one, from: Date.parse(one.since), to: one.until ? Date.parse(one.until) : Infinity }));
}

// The mark that stands beside a result, or null where nothing is in doubt.
export function doubtMark(doubts, time, isVoid = false) {
  const at = Date.parse(time);
  const found = doubts.filter((one) => one.from < at && at <= one.to);
  const drifted = found.find((one) => one.why === "drifted");
  if (isVoid || drifted) {
    const by = drifted?.drift_db === undefined || drifted === undefined ? "" : ` by ${withUnit(drifted.drift_db, "dB", 2)}`;
    return h("span", { class: "word bad" }, `the microphone drifted${by}: do not use`);
  }
  return found.length ? h("span", { class: "word wait" }, "calibration overdue") : null;
}
