// What is drawn ten times a second: the ruler, the last minute, and the spectrum.

import { Paper, steps } from "./paper.js";
import { number } from "./words.js";

const MARGIN = 44;

// The ruler lies across the page. What the room alone makes is hatched; the aim is a notch that
// hangs from above; the level now is a wedge that stands on the line.
export class Ruler {
  constructor() {
    this.paper = new Paper(92, "Level now on a ruler, with the room's floor and the target");
    this.low = 15;
    this.high = 65;
    this.paper.onresize = () => this.frame && this.draw(this.frame);
  }

  draw(frame) {
    this.frame = frame;
    const { paper } = this;
    if (!paper.width) return;
    if (!frame.calibrated) { this.low = -110; this.high = 0; } else if (this.low < 0) { this.low = 15; this.high = 65; }
    while (frame.LAF_db > this.high) this.high += 10;
    while (frame.LAF_db < this.low && this.low > -140) this.low -= 10;
    const x = (db) => 14 + (paper.width - 28) * (db - this.low) / (this.high - this.low);
    const base = 58;
    paper.clear();
    if (frame.floor_db !== null) paper.hatch(x(this.low), base - 16, Math.max(0, x(frame.floor_db) - x(this.low)), 16, "floor");
    if (frame.floor_db !== null) paper.text(`floor ${number(frame.floor_db)}`, x(this.low), base - 22);
    paper.line([[x(this.low), base], [x(this.high), base]], "ink", 2);
    for (const mark of steps(this.low, this.high, paper.width / 70)) {
      paper.line([[x(mark), base], [x(mark), base + 8]], "ink", 1.5);
      paper.text(number(mark, 0), x(mark), base + 24, { align: "center" });
    }
    if (frame.target_db !== null) {
      const at = x(frame.target_db);
      paper.line([[at, 8], [at, base]], "aim", 2, [5, 3]);
      paper.text(`aim ${number(frame.target_db)}`, at + 6, 16, { colour: "aim" });
    }
    const { pen } = paper;
    const at = x(frame.LAF_db);
    pen.beginPath();
    pen.moveTo(at, base);
    pen.lineTo(at - 9, base - 26);
    pen.lineTo(at + 9, base - 26);
    pen.closePath();
    if (frame.valid) { pen.fillStyle = paper.colours.now; pen.fill(); } else { pen.strokeStyle = paper.colours.grave; pen.lineWidth = 2; pen.stroke(); }
  }

  close() { this.paper.close(); }
}

// The last minute, newest at the right.
export class LastMinute {
  constructor() {
    this.paper = new Paper(190, "Level of the last minute");
    this.kept = [];
    this.odd = false;
    this.paper.onresize = () => this.draw();
  }

  add(frame) {
    this.kept.push([frame.number, frame.valid ? frame.LAF_db : NaN]);
    while (this.kept[0][0] < frame.number - 600) this.kept.shift();
    this.frame = frame;
    // It moves by a pixel or two; every other time is enough for the eye.
    this.odd = !this.odd;
    if (this.odd) this.draw();
  }

  draw() {
    const { paper, frame } = this;
    if (!paper.width || !frame) return;
    const levels = this.kept.map(([, level]) => level).filter(Number.isFinite);
    const others = [frame.floor_db, frame.target_db].filter((level) => level !== null);
    const low = Math.floor((Math.min(...levels, ...others, Infinity) - 2) / 5) * 5;
    const high = Math.ceil((Math.max(...levels, ...others, -Infinity) + 2) / 5) * 5;
    if (!Number.isFinite(low) || !Number.isFinite(high)) return;
    const x = (number) => MARGIN + (paper.width - MARGIN - 6) * (1 - (frame.number - number) / 600);
    const y = (db) => 8 + (paper.height - 34) * (high - db) / (high - low);
    paper.clear();
    for (const mark of steps(low, high, 5)) {
      paper.line([[MARGIN, y(mark)], [paper.width, y(mark)]], "line", 1);
      paper.text(number(mark, 0), MARGIN - 6, y(mark), { align: "right", base: "middle" });
    }
    for (const ago of paper.width > 480 ? [60, 45, 30, 15] : [60, 30]) {
      paper.text(`${ago} s ago`, x(frame.number - 10 * ago) + (ago === 60 ? 0 : -18), paper.height - 6);
    }
    if (frame.floor_db !== null) paper.line([[MARGIN, y(frame.floor_db)], [paper.width, y(frame.floor_db)]], "floor", 2, [2, 4]);
    if (frame.target_db !== null) paper.line([[MARGIN, y(frame.target_db)], [paper.width, y(frame.target_db)]], "aim", 2, [8, 4]);
    paper.line(this.kept.map(([number, level]) => [x(number), y(level)]), "now", 2);
  }

  close() { this.paper.close(); }
}

// One-third octaves as stems with heads, the spectrum as a fine line behind them.
export class Spectrum {
  constructor(bandsHz, spectrumHz) {
    this.paper = new Paper(280, "One-third octave levels and spectrum, 20 Hz to 20 kHz");
    this.bandsHz = bandsHz;
    this.spectrumHz = spectrumHz;
    this.top = null;
    this.paper.onresize = () => this.frame && this.draw(this.frame);
  }

  draw(frame) {
    this.frame = frame;
    if (frame.spectrum_db) this.curve = frame.spectrum_db;
    const { paper } = this;
    if (!paper.width) return;
    const loudest = Math.max(...frame.third_octaves_db.filter(Number.isFinite));
    if (!Number.isFinite(loudest)) return;
    // The scale follows slowly, so that the eye can compare.
    if (this.top === null || loudest > this.top - 3 || loudest < this.top - 35) this.top = Math.ceil((loudest + 8) / 10) * 10;
    const bottom = this.top - 70;
    const x = (hz) => MARGIN + (paper.width - MARGIN - 12) * Math.log10(hz / 18) / Math.log10(22400 / 18);
    const y = (db) => 10 + (paper.height - 40) * (this.top - Math.max(db, bottom)) / (this.top - bottom);
    paper.clear();
    for (const mark of steps(bottom, this.top, 7)) {
      paper.line([[MARGIN, y(mark)], [paper.width, y(mark)]], "line", 1);
      paper.text(number(mark, 0), MARGIN - 6, y(mark), { align: "right", base: "middle" });
    }
    const labels = paper.width > 560 ? [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000] : [63, 250, 1000, 4000, 16000];
    for (const hz of labels) paper.text(hz < 1000 ? `${hz}` : `${hz / 1000}k`, x(hz), paper.height - 8, { align: "center" });
    paper.text("dB", MARGIN + 4, 22);
    paper.text("Hz", MARGIN - 6, paper.height - 8, { align: "right" });
    if (this.curve) paper.line(this.spectrumHz.map((hz, at) => [x(hz), y(this.curve[at])]), "aim", 1);
    // One stroke and one fill for all: thirty-one of each, ten times a second, are dear.
    const stems = new Path2D();
    const heads = new Path2D();
    this.bandsHz.forEach((hz, at) => {
      const db = frame.third_octaves_db[at];
      if (!Number.isFinite(db)) return;
      stems.moveTo(x(hz), y(bottom));
      stems.lineTo(x(hz), y(db));
      heads.moveTo(x(hz), y(db));
      heads.arc(x(hz), y(db), 3.5, 0, 2 * Math.PI);
    });
    const { pen } = paper;
    pen.setLineDash([]);
    pen.lineWidth = 2;
    pen.strokeStyle = paper.colours.now;
    pen.stroke(stems);
    pen.fillStyle = paper.colours.now;
    pen.fill(heads);
  }

  close() { this.paper.close(); }
}
