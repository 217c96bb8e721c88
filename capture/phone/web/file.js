// A take as a file of its own, for the phone to keep when the computer cannot be reached.
import { HEADER } from "/frames.js";

const FLOAT = 3; // WAVE_FORMAT_IEEE_FLOAT

export function fileOf({ kept, row, rate, Kind, width }) {
  const rows = kept.map((frame) => ({ first: Number(new DataView(frame).getBigUint64(8, true)), rows: new Kind(frame.slice(HEADER)) }));
  return Kind === Float32Array ? { blob: wave(rows, row, rate), extension: "wav" } : { blob: log(rows, width), extension: "csv" };
}

// What is missing stands in it as zeros.
function wave(parts, count, rate) {
  const out = new ArrayBuffer(44 + 4 * count);
  const head = new DataView(out);
  const word = (at, text) => [...text].forEach((letter, i) => head.setUint8(at + i, letter.charCodeAt(0)));
  word(0, "RIFF");
  head.setUint32(4, 36 + 4 * count, true);
  word(8, "WAVEfmt ");
  head.setUint32(16, 16, true);
  head.setUint16(20, FLOAT, true);
  head.setUint16(22, 1, true);
  head.setUint32(24, rate, true);
  head.setUint32(28, 4 * rate, true);
  head.setUint16(32, 4, true);
  head.setUint16(34, 32, true);
  word(36, "data");
  head.setUint32(40, 4 * count, true);
  const samples = new Float32Array(out, 44);
  for (const { first, rows } of parts) samples.set(rows, first);
  return new Blob([out], { type: "audio/wav" });
}

function log(parts, width) {
  const lines = ["time_ms,x (m/s2),y (m/s2),z (m/s2)"]; // as in motion.py
  for (const { rows } of parts) {
    for (let at = 0; at < rows.length; at += width) lines.push([...rows.subarray(at, at + width)].join(","));
  }
  return new Blob([`${lines.join("\n")}\n`], { type: "text/csv" });
}
