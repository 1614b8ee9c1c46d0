// The line to the daemon: what it says comes in, what is asked goes out, and whether the line is alive.
// What a message may be is told at the top of server.py.

const SILENT_MS = 1000; // four beats: what is shown is old then, and nothing is sent any more
const AGAIN_MS = 500;
const ANSWER_MS = 15000; // a store waits for the disk, a lock for the head to stand

/**
 * @typedef {{topic?: string, id?: string, ok?: boolean, phase?: string, code?: string|null, sentence?: string|null,
 *   result?: any, warning?: string|null, position?: string|null, camera?: string}} Answer
 */

export class Connection {
  /**
   * @param {(topic: string, payload: any) => void} hear called with whatever is said
   * @param {() => void} changed called after each message, and when the line dies
   */
  constructor(hear, changed) {
    this.hear = hear;
    this.changed = changed;
    this.alive = false;
    this.broker = true; // whether the daemon has one, as far as it told
    /** @type {WebSocket|null} */
    this.socket = null;
    this.heardBeat = 0;
    this.heardAt = 0;
    this.count = 0;
    this.mark = Math.random().toString(36).slice(2, 8); // the ids of two pages must not be alike
    /** @type {Map<string, (answer: Answer) => void>} */
    this.awaited = new Map();
    this.open();
    setInterval(() => this.look(), 200);
  }

  open() {
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/socket`);
    this.socket = socket;
    socket.onopen = () => this.hear("opened", null);
    socket.onmessage = (event) => {
      const { beat, broker, said } = JSON.parse(event.data);
      this.broker = broker;
      this.heardBeat = beat;
      this.heardAt = performance.now();
      this.alive = true;
      for (const [topic, payload] of said) {
        this.hear(topic, payload);
        this.answered(topic, payload);
      }
      this.changed();
    };
    socket.onclose = (event) => {
      if (this.socket !== socket) return;
      this.die();
      if (event.code === 1008) location.reload();
      else setTimeout(() => this.open(), AGAIN_MS);
    };
  }

  look() {
    if (this.alive && performance.now() - this.heardAt > SILENT_MS) {
      this.die();
      this.socket?.close(); // its end may never come where the network is cut: begin anew meanwhile
      this.open();
    }
  }

  die() {
    if (!this.alive) return;
    this.alive = false;
    for (const answer of this.awaited.values())
      answer({ ok: false, code: "unconnected", sentence: "the connection broke: look at what came of it before asking anew" });
    this.awaited.clear();
    this.changed();
  }

  /**
   * Send what nobody waits for an answer to. Nothing is kept for later: what can't leave now is not sent.
   * @param {string} topic below the base
   * @param {object} payload
   */
  send(topic, payload) {
    if (!this.alive || !this.socket || this.socket.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify({ heard: this.heardBeat, topic, payload }));
    return true;
  }

  /**
   * Ask for something; what comes of it first: an outcome, or the first phase of a move.
   * @param {string} topic
   * @param {object} payload
   * @returns {Promise<Answer>}
   */
  ask(topic, payload) {
    const id = `page-${this.mark}-${++this.count}`;
    return new Promise((resolve) => {
      if (!this.send(topic, { ...payload, id })) {
        resolve({ ok: false, code: "unconnected", sentence: "not connected: nothing was sent" });
        return;
      }
      this.awaited.set(id, resolve);
      setTimeout(() => {
        if (this.awaited.delete(id)) resolve({ ok: false, code: "no-answer", sentence: "the daemon did not answer" });
      }, ANSWER_MS);
    });
  }

  /** @param {string} topic @param {any} payload */
  answered(topic, payload) {
    if (topic !== "outcome" && !topic.endsWith("/move")) return;
    const waiting = payload.id ? this.awaited.get(payload.id) : undefined;
    if (!waiting) return;
    this.awaited.delete(payload.id);
    waiting({ ok: payload.phase !== "refused" && payload.phase !== "failed", ...payload });
  }
}
