// The level log: a day at first, down to every 100 ms by dragging, by buttons or by keys. However
// long the time, it is asked for in no more points than the picture is wide.

import { ask } from "./api.js";
import { action, fill, h, notice } from "./dom.js";
import { Paper, steps } from "./paper.js";
import { level, number } from "./words.js";

const LEFT = 44;
const BOTTOM = 28;
const DAY_MS = 86400e3;
const LEAST_MS = 10e3;
const STEPS_S = [2, 5, 10, 30, 60, 300, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800];

export class LevelLog {
  constructor() {
    this.paper = new Paper(280, "Levels over time; arrow keys move, plus and minus change how much is seen");
    this.words = h("p", { class: "quiet", "aria-live": "polite" });
    this.canvas = this.paper.canvas;
    this.canvas.tabIndex = 0;
    // Something that takes keys is not a picture only.
    this.canvas.setAttribute("role", "application");
    this.log = null;
    this.drag = null;
    this.number = 0;
    this.until = Date.now();
    this.since = this.until - DAY_MS;
    this.element = h("div", {},
      h("div", { class: "row" },
        h("div", { class: "row", role: "group", "aria-label": "How much is seen" },
          [["A day", DAY_MS], ["An hour", 3600e3], ["A minute", 60e3]].map(([text, span]) => action(text, () => this.see((this.since + this.until) / 2, span), { class: "plain" }))),
        action("Earlier", () => this.move(-0.5), { class: "plain" }),
        action("Later", () => this.move(0.5), { class: "plain" }),
        action("Now", () => this.see(Date.now() - (this.until - this.since) / 2, this.until - this.since), { class: "plain" })),
      this.canvas, this.words,
      h("p", { class: "quiet" }, "Line: LAeq. Band: from what was exceeded nine tenths of each stretch (LA90) to one tenth of it (LA10). Dots: largest level. Coolers under test are heard as well. Drag over a part to see it nearer."));
    this.paper.onresize = () => { this.draw(); if (!this.log) this.load(); };
    this.canvas.addEventListener("pointerdown", (event) => { this.drag = [this.placeOf(event), this.placeOf(event)]; this.canvas.setPointerCapture(event.pointerId); });
    this.canvas.addEventListener("pointermove", (event) => { if (this.drag) { this.drag[1] = this.placeOf(event); this.draw(); } });
    this.canvas.addEventListener("pointerup", () => this.dragged());
    this.canvas.addEventListener("keydown", (event) => this.key(event));
  }

  key(event) {
    const done = { ArrowLeft: () => this.move(-0.25), ArrowRight: () => this.move(0.25), "+": () => this.nearer(0.5), "-": () => this.nearer(2) }[event.key];
    if (!done) return;
    event.preventDefault();
    done();
  }

  dragged() {
    const [from, to] = [...this.drag].sort((a, b) => a - b).map((x) => this.timeAt(x));
    this.drag = null;
    if (to - from > (this.until - this.since) / 100) this.see((from + to) / 2, to - from); else this.draw();
  }

  move(share) {
    const span = this.until - this.since;
    return this.see((this.since + this.until) / 2 + share * span, span);
  }

  nearer(factor) { return this.see((this.since + this.until) / 2, (this.until - this.since) * factor); }

  see(middle, span) {
    const wide = Math.min(Math.max(span, LEAST_MS), 31 * DAY_MS);
    this.until = Math.min(middle + wide / 2, Date.now());
    this.since = this.until - wide;
    return this.load();
  }

  async load() {
    this.number += 1;
    const { number: mine, since, until } = this;
    try {
      // Whole minutes are answered; of a few of them every 100 ms is wanted.
      const rows = 600 * ((until - since) / 60e3 + 2);
      const points = Math.round(rows <= 5000 ? rows : Math.min(Math.max(this.paper.width, 300), 1500));
      const log = await ask("level-log", { since: new Date(since).toISOString(), until: new Date(until).toISOString(), points });
      // An answer that was overtaken by a later question is nothing to show.
      if (mine !== this.number) return;
      this.log = { ...log, items: log.items.map((one) => ({ ...one, at: Date.parse(one.time) })).filter((one) => one.at + log.interval_s * 1000 >= since && one.at <= until) };
      this.draw();
    } catch (error) {
      notice(error.message);
    }
  }

  placeOf(event) { return event.offsetX / this.paper.scale; }

  timeAt(x) { return this.since + (this.until - this.since) * (x - LEFT) / (this.paper.width - LEFT - 6); }

  draw() {
    const { paper, log } = this;
    if (!paper.width || !log) return;
    paper.clear();
    const points = log.items;
    const span = this.until - this.since;
    const clock = (time) => new Date(time).toLocaleString([], { hourCycle: "h23", hour: "2-digit", minute: "2-digit", ...(span < 600e3 ? { second: "2-digit" } : {}), ...(span > 2 * DAY_MS ? { month: "short", day: "numeric" } : {}) });
    const each = log.interval_s >= 60 ? `${number(log.interval_s / 60, 0)} min` : `${number(log.interval_s, log.interval_s < 1 ? 1 : 0)} s`;
    const loudest = points.reduce((found, one) => (one.LAFmax_db > (found?.LAFmax_db ?? -Infinity) ? one : found), null);
    const range = `${exactly(this.since)} to ${exactly(this.until)}`;
    this.words.textContent = points.length
      ? `${range}: ${points.length} stretches of ${each}; loudest ${level(loudest?.LAFmax_db)}${loudest ? ` at ${clock(loudest.at)}` : ""}.`
      : `${range}: nothing was logged.`;
    fill(this.canvas, this.words.textContent);
    if (!points.length) return;
    const known = points.flatMap((one) => [one.LA90_db, one.LAeq_db, one.LAFmax_db]).filter((db) => db !== null && db > -40);
    const low = Math.floor((Math.min(...bounds(known)) - 1) / 5) * 5;
    const high = Math.ceil((Math.max(...bounds(known)) + 1) / 5) * 5;
    const x = (time) => LEFT + (paper.width - LEFT - 6) * (time - this.since) / span;
    const y = (db) => (db === null ? NaN : 8 + (paper.height - 8 - BOTTOM) * (high - Math.max(db, low)) / (high - low));
    for (const mark of steps(low, high, 6)) {
      paper.line([[LEFT, y(mark)], [paper.width, y(mark)]], "line", 1);
      paper.text(number(mark, 0), LEFT - 6, y(mark), { align: "right", base: "middle" });
    }
    for (const time of roundTimes(this.since, this.until, paper.width / 110)) {
      paper.line([[x(time), 8], [x(time), paper.height - BOTTOM]], "line", 1);
      if (x(time) < paper.width - 24) paper.text(clock(time), x(time), paper.height - 8, { align: "center" });
    }
    paper.text("dB(A)", LEFT + 4, 18);
    this.drawLevels(points, x, y);
    if (this.drag) {
      const { pen } = paper;
      pen.globalAlpha = 0.25;
      pen.fillStyle = paper.colours.now;
      pen.fillRect(Math.min(...this.drag), 8, Math.abs(this.drag[1] - this.drag[0]), paper.height - 8 - BOTTOM);
      pen.globalAlpha = 1;
    }
  }

  drawLevels(points, x, y) {
    const { pen, colours } = this.paper;
    const each = this.log.interval_s * 1000;
    const wide = Math.max(1, x(this.since + each) - x(this.since));
    pen.fillStyle = colours.floor;
    pen.globalAlpha = 0.45;
    for (const one of points) {
      if (one.LA10_db === null || one.LA90_db === null) continue;
      pen.fillRect(x(one.at), y(one.LA10_db), wide, Math.max(1, y(one.LA90_db) - y(one.LA10_db)));
    }
    pen.globalAlpha = 1;
    pen.fillStyle = colours.aim;
    for (const one of points) if (one.LAFmax_db !== null) pen.fillRect(x(one.at) + wide / 2 - 1, y(one.LAFmax_db) - 1, 2, 2);
    const line = [];
    points.forEach((one, at) => {
      // Where nothing was heard, the line ends.
      if (at && one.at - points[at - 1].at > 1.5 * each) line.push([x(one.at), NaN]);
      line.push([x(one.at + each / 2), y(one.LAeq_db)]);
    });
    this.paper.line(line, "now", 1.5);
  }

  close() { this.paper.close(); }
}

const exactly = (time) => new Date(time).toLocaleString([], { hourCycle: "h23", month: "short", day: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit" });

// Moments at which a clock on the wall shows something round.
function roundTimes(since, until, most) {
  const step = STEPS_S.map((seconds) => seconds * 1000).find((each) => each * most >= until - since) ?? 7 * DAY_MS;
  const ahead = -new Date(since).getTimezoneOffset() * 60e3;
  const times = [];
  for (let time = Math.ceil((since + ahead) / step) * step - ahead; time <= until; time += step) times.push(time);
  return times;
}

function bounds(values) {
  let low = Infinity;
  let high = -Infinity;
  for (const value of values) { if (value < low) low = value; if (value > high) high = value; }
  return Number.isFinite(low) ? [low, high] : [20, 60];
}
