// The level meter: how far the sound goes, in words and as a bar.
const FLOOR_DB = -60;
const LOUD_DB = -3;
const QUIET_DB = -50;
const FALL = 0.97; // of the peak that is shown, a block

export class Level {
  constructor(meter, bar, words, unit) {
    Object.assign(this, { meter, bar, words, unit, peak: 0, silent: true, waiting: false, mean: null });
  }

  // rows: numbers, row after row; layout: how many a row. Of motion the distance from its slow mean counts
  add(rows, { width }) {
    let peak = 0;
    if (width === 1) for (const value of rows) peak = Math.max(peak, Math.abs(value));
    else {
      const now = rows.subarray(1, width);
      this.mean = this.mean ? this.mean.map((mean, i) => mean + 0.02 * (now[i] - mean)) : Array.from(now);
      peak = Math.hypot(...now.map((value, i) => value - this.mean[i]));
    }
    if (peak > 0) this.silent = false;
    this.peak = Math.max(peak, this.peak * FALL);
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => this.draw());
  }

  draw() {
    this.waiting = false;
    const db = Math.max(20 * Math.log10(this.unit === "dB" ? this.peak : this.peak / 20), FLOOR_DB);
    const [text, loud] = this.unit === "dB" ? judged(db, this.silent) : [`${this.peak.toFixed(1)} m/s²`, false];
    this.bar.style.transform = `scaleX(${1 - db / FLOOR_DB})`;
    this.meter.classList.toggle("loud", loud);
    this.meter.setAttribute("aria-valuenow", Math.round(db));
    this.meter.setAttribute("aria-valuetext", text);
    this.words.textContent = `Level: ${text}`;
  }

  clear() {
    Object.assign(this, { peak: 0, silent: true });
    this.draw();
    this.meter.setAttribute("aria-valuetext", "nothing yet");
    this.words.textContent = "Level: nothing yet";
  }
}

function judged(db, silent) {
  if (silent) return ["only zeros", false];
  const shown = `${Math.round(db)} dB of full scale`.replace("-", "\u2212");
  if (db > LOUD_DB) return [`${shown}, too loud: move the phone away`, true];
  return [db < QUIET_DB ? `${shown}, faint: nearer, if it is safe` : shown, false];
}
