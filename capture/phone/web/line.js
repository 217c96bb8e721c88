// The connection to the computer. It may break, and be made again with connect().
const DEAD_MS = 12_000; // the computer gives a sign of life every second or two while something is under way
const BROKEN = "The connection to the computer broke. Are both in the same network? Load this page again.";

export class Line {
  constructor(url) {
    Object.assign(this, { url, socket: null, alive: 0, heard: () => {} }); // heard: takes the next word, or null when the connection is gone
  }

  get open() {
    return this.socket?.readyState === WebSocket.OPEN;
  }

  connect() {
    this.drop();
    const socket = new WebSocket(this.url);
    this.socket = socket;
    return new Promise((yes, no) => {
      socket.onopen = () => {
        this.alive = performance.now();
        yes();
      };
      socket.onmessage = ({ data }) => {
        this.alive = performance.now();
        this.heard(JSON.parse(data));
      };
      socket.onclose = () => {
        no(new Error(BROKEN));
        this.heard(null);
      };
    });
  }

  say(words) {
    if (this.open) this.socket.send(JSON.stringify(words));
  }

  // A network that is gone tells nobody: whoever waits for a word asks here whether one can still come.
  check() {
    if (!this.open || performance.now() - this.alive < DEAD_MS) return;
    this.drop();
    this.heard(null);
  }

  drop() {
    if (!this.socket) return;
    this.socket.onopen = this.socket.onmessage = this.socket.onclose = null;
    this.socket.close();
    this.socket = null;
  }
}
