// Numbers and times as a reader at the bench wants them.

export const MINUS = "\u2212";
const THIN = "\u202f";

export function number(value, digits = 1) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  return value.toFixed(digits).replace("-", MINUS);
}

export function withUnit(value, unit, digits = 1) {
  const text = number(value, digits);
  return text === "–" ? text : `${text}${THIN}${unit}`;
}

export function driven(percent, rpm) {
  if (percent === null) return "–";
  return rpm === null ? withUnit(percent, "%") : `${withUnit(percent, "%")}, ${withUnit(rpm, "rpm", 0)}`;
}

export function level(value, u95 = null, unit = "dB(A)") {
  if (value === null || value === undefined) return "–";
  return u95 === null || u95 === undefined ? withUnit(value, unit) : `${number(value)} ± ${withUnit(u95, unit)}`;
}

// Levels as a person types them: "40 35,5 30".
export function targetsIn(text) {
  const targets = text.split(/[\s;]+/).filter(Boolean).map((one) => Number(one.replace(",", ".")));
  if (targets.some((target) => !Number.isFinite(target))) throw new Error(`"${text}" is no list of levels; write them like 40 35.5 30.`);
  return targets;
}

export function when(text) {
  if (!text) return "–";
  const time = new Date(text);
  const today = new Date().toDateString() === time.toDateString();
  return today
    ? time.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" })
    : time.toLocaleString([], { year: "numeric", month: "short", day: "numeric", hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
}

export function duration(seconds) {
  if (seconds === null || seconds === undefined) return "–";
  if (seconds < 100) return withUnit(seconds, "s", 0);
  if (seconds < 5400) return withUnit(seconds / 60, "min", 0);
  if (seconds < 172800) return withUnit(seconds / 3600, "h", 0);
  return withUnit(seconds / 86400, "days", 0);
}

// Outcomes and states: the word, and whether it is good, bad or waiting.
const WORDS = {
  matched: ["matched", "good"],
  "quieter-at-full-speed": ["quieter at full speed", "good"],
  "louder-at-minimum": ["louder at its lowest speeds", "bad"],
  "floor-too-high": ["room too loud", "bad"],
  unsteady: ["unsteady", "bad"],
  done: ["done", "good"],
  refused: ["answer: no", "bad"],
  failed: ["could not be done", "bad"],
  stopped: ["stopped", "bad"],
  interrupted: ["interrupted", "bad"],
  queued: ["waits its turn", "wait"],
  "waiting-for-person": ["waits for you", "wait"],
  running: ["under way", "wait"],
  paused: ["paused", "wait"],
  own: ["own control", "good"],
  leased: ["held", "wait"],
  safe: ["protects itself", "bad"],
  accepted: ["accepted", "good"],
  "tone-refused": ["refused", "bad"],
  holds: ["still holds", "good"],
  changed: ["has changed", "bad"],
  complete: ["complete", "good"],
  unreachable: ["not reachable", "bad"],
};

export function word(key) {
  const [text, kind] = WORDS[key] ?? [key, ""];
  const element = document.createElement("span");
  element.className = `word ${kind}`;
  element.textContent = text;
  return element;
}

// Sentences of the program, as they are printed.
export const sentence = (text) => text.replaceAll("+-", "±").replace(/(^|[ (])-(\d)/g, `$1${MINUS}$2`);

export function plainWord(key) {
  return (WORDS[key] ?? [key])[0];
}
