// Level over speed while a measurement runs: one mark a setting, numbered in the order heard.

import { Paper, steps } from "./paper.js";
import { number } from "./words.js";

const LEFT = 48;
const BOTTOM = 40;

export class GrowingPicture {
  constructor() {
    this.paper = new Paper(320, "Level over fan speed, one mark for each setting heard so far");
    this.points = [];
    this.target = null;
    this.paper.onresize = () => this.draw();
  }

  show(points, target) {
    this.points = points;
    this.target = target;
    this.draw();
  }

  draw() {
    const { paper, points, target } = this;
    if (!paper.width) return;
    paper.clear();
    if (!points.length) {
      paper.text("The first setting is being heard.", LEFT, paper.height / 2);
      return;
    }
    const byRpm = points.every((point) => point.fan_rpm !== null);
    const speed = (point) => (byRpm ? point.fan_rpm : point.fan_duty_percent ?? point.pump_duty_percent ?? 0);
    const speeds = points.map(speed);
    const levels = points.map((point) => point.LAeq_db).concat(target === null ? [] : [target]);
    const [left, right] = padded(Math.min(...speeds), Math.max(...speeds), byRpm ? 100 : 5);
    const [low, high] = padded(Math.min(...levels), Math.max(...levels), 2);
    const x = (value) => LEFT + (paper.width - LEFT - 14) * (value - left) / (right - left);
    const y = (db) => 12 + (paper.height - 12 - BOTTOM) * (high - db) / (high - low);
    for (const mark of steps(low, high, 6)) {
      paper.line([[LEFT, y(mark)], [paper.width, y(mark)]], "line", 1);
      paper.text(number(mark, 0), LEFT - 6, y(mark), { align: "right", base: "middle" });
    }
    for (const mark of steps(left, right, paper.width / 110)) paper.text(number(mark, 0), x(mark), paper.height - BOTTOM + 18, { align: "center" });
    paper.text(byRpm ? "fan speed, rpm" : "duty, %", paper.width - 8, paper.height - 6, { align: "right" });
    paper.text("dB(A)", 4, 12);
    if (target !== null) {
      paper.line([[LEFT, y(target)], [paper.width, y(target)]], "aim", 2, [8, 4]);
      paper.text(`aim ${number(target)}`, LEFT + 6, y(target) - 5, { colour: "aim" });
    }
    const { pen } = paper;
    points.forEach((point, at) => {
      const newest = at === points.length - 1;
      paper.line([[x(speed(point)), y(point.LAeq_db - point.U95_db)], [x(speed(point)), y(point.LAeq_db + point.U95_db)]], "now", 1.5);
      pen.beginPath();
      pen.rect(x(speed(point)) - 5, y(point.LAeq_db) - 5, 10, 10);
      if (newest) { pen.fillStyle = paper.colours.now; pen.fill(); }
      pen.strokeStyle = paper.colours.now;
      pen.lineWidth = 2;
      pen.stroke();
      paper.text(`${at + 1}`, x(speed(point)) + 9, y(point.LAeq_db) - 7, { colour: "ink" });
    });
  }

  close() { this.paper.close(); }
}

function padded(low, high, least) {
  const space = Math.max((high - low) * 0.12, least);
  return [low - space, high + space];
}
