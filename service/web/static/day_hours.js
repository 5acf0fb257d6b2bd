// The hours of a day: what the room's floor usually is (bar) and was at most (stroke above it).

import { Paper, steps } from "./paper.js";
import { number } from "./words.js";

const LEFT = 44;
const BOTTOM = 26;

export class DayHours {
  constructor() {
    this.paper = new Paper(200, "Floor by the hour of the day; the table below says the same");
    this.hours = [];
    this.paper.onresize = () => this.draw();
  }

  show(hours) {
    this.hours = hours;
    this.draw();
  }

  draw() {
    const { paper, hours } = this;
    if (!paper.width || !hours.length) return;
    const low = Math.floor((Math.min(...hours.map((one) => one.usual_LAeq_db)) - 4) / 5) * 5;
    const high = Math.ceil((Math.max(...hours.map((one) => one.highest_LAeq_db)) + 1) / 5) * 5;
    const wide = (paper.width - LEFT - 6) / 24;
    const y = (db) => 8 + (paper.height - 8 - BOTTOM) * (high - db) / (high - low);
    paper.clear();
    for (const mark of steps(low, high, 5)) {
      paper.line([[LEFT, y(mark)], [paper.width, y(mark)]], "line", 1);
      paper.text(number(mark, 0), LEFT - 6, y(mark), { align: "right", base: "middle" });
    }
    for (const hour of [0, 6, 12, 18]) paper.text(`${hour}:00`, LEFT + wide * hour, paper.height - 8);
    const { pen } = paper;
    for (const one of hours) {
      const x = LEFT + wide * one.hour + 1;
      const top = y(one.usual_LAeq_db);
      // What is fit is filled; what is not is hatched, so that the two differ without colour.
      if (one.fit) {
        pen.fillStyle = paper.colours.now;
        pen.fillRect(x, top, wide - 2, y(low) - top);
      } else {
        paper.hatch(x, top, wide - 2, y(low) - top, "grave");
        paper.line([[x, top], [x + wide - 2, top]], "grave", 2);
      }
      paper.line([[x + wide / 2 - 1, top], [x + wide / 2 - 1, y(one.highest_LAeq_db)]], "ink", 1.5);
    }
  }

  close() { this.paper.close(); }
}
