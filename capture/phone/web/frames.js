// Rows of numbers into numbered binary frames, all of them kept; the form is described in frame.py.
export const HEADER = 24;
const MAGIC = 0x31464b56; // "VKF1"

export class Frames {
  // Kind: Float32Array or Float64Array; width: numbers a row; most: rows a frame; rate: rows a second, 0 when not even
  constructor(Kind, width, most, rate) {
    Object.assign(this, { Kind, width, rate, kept: [], row: 0, filled: 0, takenMs: 0 });
    this.rows = new Kind(width * most);
  }

  // rows: numbers, row after row; takenMs: of the first of them; lost: rows missing before them
  add(rows, takenMs, lost = 0) {
    if (lost) this.flush();
    this.row += lost;
    for (let at = 0; at < rows.length; ) {
      if (!this.filled) this.takenMs = takenMs + (this.rate ? (at / this.rate) * 1000 : 0);
      const some = Math.min(rows.length - at, this.rows.length - this.filled);
      this.rows.set(rows.subarray(at, at + some), this.filled);
      this.filled += some;
      at += some;
      if (this.filled === this.rows.length) this.flush();
    }
  }

  flush() {
    if (!this.filled) return;
    const rows = this.rows.subarray(0, this.filled);
    const out = new ArrayBuffer(HEADER + rows.byteLength);
    const head = new DataView(out);
    head.setUint32(0, MAGIC, true);
    head.setUint32(4, this.kept.length, true);
    head.setBigUint64(8, BigInt(this.row), true);
    head.setFloat64(16, this.takenMs, true);
    new rows.constructor(out, HEADER).set(rows);
    this.row += this.filled / this.width;
    this.filled = 0;
    this.kept.push(out);
  }
}
