// Runs beside the audio graph: hands its input over in blocks, each with the number of its first sample and the time.
const SIZE = 2048;

class Tap extends AudioWorkletProcessor {
  constructor() {
    super();
    this.begin();
  }

  begin() {
    this.samples = new Float32Array(SIZE);
    this.filled = 0;
  }

  process([[input]]) {
    if (!input) return true; // nothing is connected yet
    if (this.filled && currentFrame !== this.first + this.filled) this.hand();
    if (!this.filled) {
      this.first = currentFrame;
      this.takenMs = Date.now();
    }
    this.samples.set(input, this.filled);
    this.filled += input.length;
    if (this.filled === SIZE) this.hand();
    return true;
  }

  hand() {
    const samples = this.samples.subarray(0, this.filled);
    this.port.postMessage({ samples, first: this.first, takenMs: this.takenMs }, [this.samples.buffer]);
    this.begin();
  }
}

registerProcessor("tap", Tap);
