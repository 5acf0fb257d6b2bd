// The live frames: binary, the newest only, and one credit. The page answers after it has drawn;
// only then the next frame comes. A connection that breaks is made anew by itself.

const HEAD = 6;
const BANDS = 31;

export class LiveSocket {
  constructor(onframe, onstate) {
    this.onframe = onframe;
    this.onstate = onstate;
    this.wait = 500;
    this.closed = false;
    this.open();
    document.addEventListener("visibilitychange", () => this.credit());
  }

  open() {
    if (this.closed) return;
    const scheme = location.protocol === "https:" ? "wss:" : "ws:";
    this.socket = new WebSocket(`${scheme}//${location.host}/api/v1/live`);
    this.socket.binaryType = "arraybuffer";
    this.owed = false;
    this.socket.onopen = () => {
      this.wait = 500;
      this.onstate(true);
      this.owed = true;
      this.credit();
    };
    this.socket.onmessage = (message) => {
      const frame = decode(message.data);
      // One credit is owed from now until the frame is drawn, and no other is on its way.
      requestAnimationFrame(() => {
        if (frame) this.onframe(frame);
        this.owed = true;
        this.credit();
      });
    };
    this.socket.onclose = () => {
      this.onstate(false);
      if (!this.closed) setTimeout(() => this.open(), this.wait);
      this.wait = Math.min(this.wait * 2, 15000);
    };
  }

  // A page nobody sees asks for nothing.
  credit() {
    if (!this.owed || document.hidden || this.socket.readyState !== WebSocket.OPEN) return;
    this.owed = false;
    this.socket.send(new Uint8Array([1]));
  }

  close() {
    this.closed = true;
    this.socket.close();
  }
}

export function decode(buffer) {
  const view = new DataView(buffer);
  if (view.getUint32(0, true) !== 0x31485645) return null; // "EVH1"
  const flags = view.getUint16(16, true);
  const count = view.getUint16(18, true);
  let at = 20;
  const levels = new Float32Array(count);
  for (let i = 0; i < count; i += 1, at += 4) levels[i] = view.getFloat32(at, true);
  const points = view.getUint16(at, true);
  at += 2;
  let spectrum = null;
  if (points) {
    spectrum = new Float32Array(points);
    for (let i = 0; i < points; i += 1, at += 4) spectrum[i] = view.getFloat32(at, true);
  }
  const length = view.getUint32(at, true);
  const text = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, at + 4, length)));
  const known = (value) => (Number.isFinite(value) ? value : null);
  return {
    number: view.getUint32(4, true),
    time: new Date(view.getFloat64(8, true) * 1000),
    calibrated: Boolean(flags & 1),
    valid: Boolean(flags & 2),
    LAF_db: levels[0],
    LAeq_1s_db: levels[1],
    LAeq_db: levels[2],
    LAeq_s: levels[3],
    floor_db: known(levels[4]),
    target_db: known(levels[5]),
    third_octaves_db: levels.subarray(HEAD, HEAD + BANDS),
    spectrum_db: spectrum,
    faults: text.faults ?? [],
    bench: text.bench ?? null,
    job: text.job ?? null,
  };
}
