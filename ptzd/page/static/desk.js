// What is done from this page: each deed is a command to the daemon. A camera on air moves only after a second yes.

import { Connection } from "./connection.js";
import { cameraNames, hear, known, notice, onAir, positionOf, timeOnAir } from "./known.js";

const YES_MS = 8000; // how long a second yes is waited for
const CLEAR_MS = 60000; // for one that needs a look at the camera first

/** @typedef {{camera: string, words: string, topic: string, payload: Record<string, unknown>, until: number, time: unknown,
 *   foreseen: import("./known.js").Foreseen|null, caution: string|null}} Pending */

export const desk = {
  /** @type {"show"|"setup"|"cues"|"trouble"} */
  view: "show",
  chosen: "",
  keys: true,
  /** @type {Pending|null} a move on air, or a sweep, that waits for its second yes */
  pending: null,
  typed: "", // what was typed into the field for numbers and names
};

let tickets = 0; // one for each deed: only the last may bring a question, for another is not expected any more

/** Take back what waits for a second yes, and whatever is still to be asked; return the ticket for another question. */
function withdraw() {
  desk.pending = null;
  return ++tickets;
}

/** @param {number} ticket @param {Pending} pending */
function wait(ticket, pending) {
  if (ticket !== tickets) return; // another view is open by now, another camera chosen, or another deed done
  desk.pending = pending;
  changed();
}

/** @type {() => void} */
let redraw = () => undefined;
/** @param {() => void} draw */
export function onChange(draw) {
  redraw = draw;
}
export function changed() {
  redraw();
}

export const line = new Connection(hear, () => {
  if (!line.alive) withdraw(); // a yes to what was asked long ago is none
  if (!cameraNames().includes(desk.chosen)) desk.chosen = cameraNames()[0] ?? "";
  lookAhead();
  changed();
});

/** Whether anything may be asked for here that moves or changes something; a stop always may. */
export function may() {
  return line.alive && known.who.operates;
}

/** @param {string} camera */
export function choose(camera) {
  desk.chosen = camera;
  withdraw();
  changed();
}

/** @param {"show"|"setup"|"cues"|"trouble"} view */
export function open(view) {
  desk.view = view;
  withdraw();
  changed();
}

export function stopAll() {
  withdraw();
  if (!line.send("all/stop", {})) notice("stop", "NOT SENT: there is no connection. Use another desk, or the plug.", true);
  changed();
}

/**
 * Move a camera: at once off air, after a second yes on air.
 * @param {string} camera
 * @param {string} what the command
 * @param {Record<string, unknown>} payload
 * @param {string} words what it is, for the question
 */
export async function move(camera, what, payload, words) {
  const topic = `camera/${camera}/${what}`;
  const ticket = withdraw();
  if (!onAir(known.cameras[camera])) {
    const answer = await line.ask(topic, payload);
    if (answer.code !== "on-air") return answer.code === "unconnected" ? notice(camera, answer.sentence ?? "", true) : undefined;
  }
  const time = timeOnAir(camera);
  let foreseen = null;
  if (what === "recall") {
    const answer = await line.ask(`camera/${camera}/foresee`, payload);
    foreseen = answer.result?.recalls[0] ?? null;
    if (foreseen?.sentence) return notice(camera, foreseen.sentence, true);
  }
  wait(ticket, { camera, words, topic, payload: { ...payload, on_air: true }, until: Date.now() + YES_MS, time, foreseen, caution: null });
}

/**
 * Switch a camera or let it find its ends, after the daemon's caution and a second yes.
 * @param {string} camera
 * @param {"power"|"reset"} what the command
 * @param {Record<string, unknown>} payload
 * @param {string} words what it is, for the button
 */
export async function switchPower(camera, what, payload, words) {
  const topic = `camera/${camera}/${what}`;
  const ticket = withdraw();
  const answer = await ask(topic, payload);
  if (answer.code !== "not-clear") return;
  const caution = (answer.sentence ?? "").replace(/,? and then send .*/, "");
  wait(ticket, { camera, words, topic, payload: { ...payload, clear: true }, until: Date.now() + CLEAR_MS, time: timeOnAir(camera), foreseen: null, caution });
}

/** What waits for a second yes, while that still counts: not too late, and in the time on air in which it was asked. */
export function question() {
  const pending = desk.pending;
  return pending && Date.now() < pending.until && pending.time === timeOnAir(pending.camera) ? pending : null;
}

/** Say yes to what waits for it. */
export function sayYes() {
  const pending = question();
  withdraw();
  if (pending) void line.ask(pending.topic, pending.payload);
  changed();
}

export function sayNo() {
  withdraw();
  changed();
}

/** @param {string} camera @param {string} position */
export function recall(camera, position) {
  choose(camera);
  void move(camera, "recall", { position }, `to ${position}`);
}

/**
 * Recall by what was typed: a number of the chosen camera's positions, or a name.
 * @param {string} typed
 */
export function recallTyped(typed) {
  const positions = known.positions[desk.chosen] ?? [];
  const position = positions.find((each) => each.name === typed) ?? positionOf(desk.chosen, Number(typed));
  if (position) recall(desk.chosen, position.name);
  else notice(desk.chosen, `there is no position ${typed}: type a number that stands at one, or a name`, true);
  changed();
}

/**
 * Ask for something that moves nothing by itself; a refusal is among the notices.
 * @param {string} topic @param {Record<string, unknown>} payload
 */
export async function ask(topic, payload = {}) {
  const answer = await line.ask(topic, payload);
  if (answer.code === "unconnected" || answer.code === "no-answer") notice("page", answer.sentence ?? "", true);
  changed();
  return answer;
}

// What recalls would do: asked anew for a camera off air each time that it has come to rest somewhere else.

/** @type {Record<string, string>} */
const asked = {};

function lookAhead() {
  for (const [name, camera] of Object.entries(known.cameras)) {
    const positions = known.positions[name] ?? [];
    const rests = camera.activity === "at-rest" && camera.link === "up" && camera.power === "on" && camera.locks.length === 0;
    const from = rests && !onAir(camera) ? JSON.stringify([camera.pan_deg, camera.tilt_deg, camera.zoom_counts, positions]) : "";
    if (asked[name] === from) continue;
    asked[name] = from;
    known.foreseen[name] = {};
    if (!from || !positions.length) continue;
    void line.ask(`camera/${name}/foresee`, {}).then((answer) => {
      if (asked[name] !== from || !answer.ok) return;
      for (const each of answer.result.recalls) known.foreseen[name][each.position] = each;
      changed();
    });
  }
}
