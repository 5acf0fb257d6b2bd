// A sheet to draw on: a canvas as wide as its place, sharp on any screen, in the page's colours.

export class Paper {
  constructor(height, label) {
    this.canvas = document.createElement("canvas");
    this.canvas.className = "drawing";
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", label);
    this.height = height;
    this.width = 0;
    this.scale = 1;
    this.pen = this.canvas.getContext("2d");
    this.colours = {};
    this.onresize = null;
    this.observer = new ResizeObserver(() => this.fit());
    this.observer.observe(this.canvas);
    this.fit = this.fit.bind(this);
    // On paper and in the dark the colours are others.
    this.media = ["(prefers-color-scheme: dark)", "print"].map((query) => matchMedia(query));
    for (const medium of this.media) medium.addEventListener("change", this.fit);
  }

  // Take the size and colours of the place it is in.
  fit() {
    const width = this.canvas.clientWidth;
    if (width === 0) return;
    // What is drawn grows with the letters of the page; drawings count in lengths before that.
    this.scale = Number.parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
    const ratio = (window.devicePixelRatio || 1) * this.scale;
    this.width = width / this.scale;
    this.canvas.width = Math.round(this.width * ratio);
    this.canvas.height = Math.round(this.height * ratio);
    this.canvas.style.height = `${this.height * this.scale}px`;
    this.pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    const style = getComputedStyle(document.documentElement);
    for (const name of ["ink", "faint", "line", "now", "aim", "grave", "floor", "sheet"]) {
      this.colours[name] = style.getPropertyValue(`--${name}`).trim();
    }
    this.pen.font = `${Math.max(12, Math.min(15, this.width / 40))}px Charter, Cambria, Georgia, serif`;
    if (this.onresize) this.onresize();
  }

  clear() {
    this.pen.clearRect(0, 0, this.width, this.height);
  }

  line(points, colour, width = 1.5, dash = []) {
    const { pen } = this;
    pen.beginPath();
    let down = false;
    for (const [x, y] of points) {
      if (!Number.isFinite(y)) { down = false; continue; }
      if (down) pen.lineTo(x, y); else pen.moveTo(x, y);
      down = true;
    }
    pen.strokeStyle = this.colours[colour];
    pen.lineWidth = width;
    pen.setLineDash(dash);
    pen.stroke();
    pen.setLineDash([]);
  }

  text(words, x, y, { colour = "faint", align = "left", base = "alphabetic" } = {}) {
    const { pen } = this;
    pen.fillStyle = this.colours[colour];
    pen.textAlign = align;
    pen.textBaseline = base;
    pen.fillText(words, x, y);
  }

  // Slanted strokes, which stay apart from plain areas without any colour.
  hatch(x, y, width, height, colour) {
    const { pen } = this;
    pen.save();
    pen.beginPath();
    pen.rect(x, y, width, height);
    pen.clip();
    pen.beginPath();
    for (let at = x - height; at < x + width; at += 7) {
      pen.moveTo(at, y + height);
      pen.lineTo(at + height, y);
    }
    pen.strokeStyle = this.colours[colour];
    pen.lineWidth = 1;
    pen.stroke();
    pen.restore();
  }

  close() {
    this.observer.disconnect();
    for (const medium of this.media) medium.removeEventListener("change", this.fit);
  }
}

// Round steps for an axis between two values.
export function steps(low, high, most) {
  const rough = (high - low) / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((factor) => factor * power).find((size) => size >= rough);
  const first = Math.ceil(low / step - 1e-9) * step;
  const marks = [];
  for (let value = first; value <= high + step * 1e-6; value += step) marks.push(Number(value.toFixed(6)));
  return marks;
}
