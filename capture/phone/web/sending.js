// A take on its way to the computer. The phone keeps all of it until the computer has said what it is; a connection that breaks is made
// again, and what the computer lacks is sent then.
const TICK_MS = 100;
const AGAIN_MS = 1000;
const FRAMES_A_SECOND = 100; // the computer refuses more messages than this in the long run ...
const FRAMES_AT_ONCE = 300;
const AHEAD_S = 25; // ... and of a new take more sound than can have been taken since it began, but for this
const MOST_WAITING = 1 << 20; // bytes
const MOST_ANEW = 2;

export class Sending {
  // told: gets what the connection does, "" when all is well; outcome: the answer
  constructor(line, frames, announcement, told) {
    Object.assign(this, { line, frames, announcement, told, sent: 0, pace: FRAMES_A_SECOND, level: FRAMES_AT_ONCE, at: performance.now() });
    Object.assign(this, { ready: false, ended: false, over: false, mending: false, anew: 0, onenough: () => {} });
    this.outcome = new Promise((yes, no) => Object.assign(this, { yes, no }));
    this.outcome.catch(() => {}); // it may fail before anybody waits for it
    this.timer = setInterval(() => this.tick(), TICK_MS);
    this.begin();
  }

  begin() {
    this.name = Array.from(crypto.getRandomValues(new Uint32Array(4)), (word) => word.toString(16)).join("-");
    this.first ??= this.name; // by which the computer tells all of it, sent anew, from another recording
    this.line.heard = (said) => this.hear(said);
    this.begun = new Promise((yes) => Object.assign(this, { go: yes }));
    this.line.say({ type: "start", take: this.name, first: this.first, ...this.announcement });
  }

  hear(said) {
    if (said === null) return this.mend();
    switch (said.type) {
      case "go":
        return this.from(0);
      case "have":
        return this.ready ? null : this.from(said.frames);
      case "gone":
        return this.again();
      case "enough":
        return this.onenough();
      case "answer":
        return this.stop(() => this.yes(said));
      case "problem":
        return this.stop(() => this.no(new Error(said.text)));
    }
  }

  from(frame) {
    this.sent = frame;
    this.saidEnd = false;
    this.ready = true;
    this.go();
    this.told("");
    this.tick();
  }

  // The computer ended this take, since the phone was away for too long: all of it once more.
  again() {
    this.anew += 1;
    if (this.anew > MOST_ANEW) return this.stop(() => this.no(new Error("The computer did not take the recording.")));
    const { kept, row, rate } = this.frames;
    if (rate && row) this.pace = Math.min(FRAMES_A_SECOND, kept.length / (row / rate));
    this.level = Math.min(FRAMES_AT_ONCE, AHEAD_S * this.pace);
    this.begin();
  }

  async mend() {
    if (this.mending || this.over) return;
    this.mending = true;
    this.ready = false;
    this.line.heard = () => {};
    this.told("broken");
    while (!this.over) {
      if (await this.line.connect().then(() => true, () => false)) break;
      await new Promise((yes) => setTimeout(yes, AGAIN_MS));
    }
    this.mending = false;
    if (this.over) return;
    this.line.heard = (said) => this.hear(said);
    this.line.say({ type: "resume", take: this.name });
  }

  tick() {
    if (this.over || this.mending) return;
    this.line.check();
    const now = performance.now();
    this.level = Math.min(FRAMES_AT_ONCE, this.level + ((now - this.at) / 1000) * this.pace);
    this.at = now;
    const { kept } = this.frames;
    while (this.ready && this.line.open && this.sent < kept.length && this.level >= 1 && this.line.socket.bufferedAmount < MOST_WAITING) {
      this.line.socket.send(kept[this.sent++]);
      this.level -= 1;
    }
    if (this.ready && this.ended && !this.saidEnd && this.sent === kept.length) {
      this.line.say({ type: "end", frames: kept.length });
      this.saidEnd = true;
    }
  }

  // No more frames come.
  end() {
    this.ended = true;
    this.tick();
  }

  stop(last) {
    this.over = true;
    clearInterval(this.timer);
    this.line.heard = () => {};
    this.told("");
    last();
  }
}
