// Driving by hand: while a stick is held away from its middle, one message each tenth of a second; the daemon lets a drive
// end half a second after the last. For each message the hand is asked anew what it wants and whether it still holds: that
// it was let go may come to nobody, where what it held is no more on the page, or where the browser draws nothing. Whatever
// takes the hand away ends it here as well: another page in front, a line that breaks.

import { desk, line } from "./desk.js";
import { known, onAir } from "./known.js";

const EACH_MS = 100;
const LAPSES_MS = 500; // after the last message the daemon has ended a drive, and it is not begun again unasked

/** @typedef {{pan: number, tilt: number, zoom: number}} Deflection each -1 to 1 of the grip; right, up and tighter are positive */

/** @typedef {{deflection: Deflection, consented: boolean}} Push `consented`: a camera on air may be moved, by a deliberate second action */
/** @typedef {() => Push|null} Hand what it asks for just now; null where it has let go */

let camera = "";
/** @type {Hand|null} */
let hand = null;
let timer = 0;
let saidAt = 0; // by the clock on the wall, which goes on while a computer sleeps
let fine = false;

/**
 * Let a hand drive the chosen camera from now on, for as long as it holds.
 * @param {Hand} by
 */
export function drive(by) {
  if (timer) {
    hand = by;
    if (!asked()) letGo();
    return;
  }
  [hand, camera] = [by, desk.chosen];
  if (!asked()) return;
  say();
  timer = window.setInterval(say, EACH_MS);
}

/** @param {Hand|null} of let go if this one drives */
export function letGo(of = hand) {
  if (!timer || of !== hand) return;
  clearInterval(timer);
  timer = 0;
  line.send(`camera/${camera}/drive`, { pan: 0, tilt: 0 });
}

/** @returns {Deflection|null} what is to be driven now, or null */
function asked() {
  const push = hand?.();
  if (!push || !line.alive || document.hidden || desk.chosen !== camera || (onAir(known.cameras[camera]) && !push.consented)) return null;
  const { pan, tilt, zoom } = push.deflection;
  return pan || tilt || zoom ? push.deflection : null;
}

function say() {
  const lapsed = timer !== 0 && Date.now() - saidAt > LAPSES_MS; // it slept: who held the stick may have let go unheard
  const wanted = asked();
  if (lapsed || !wanted) return letGo();
  saidAt = Date.now();
  line.send(`camera/${camera}/drive`, { ...wanted, grip: fine ? "fine" : "fast" });
}

/**
 * Whether a full push crosses the picture slowly, or fast.
 * @param {boolean} finely
 */
export function hold(finely) {
  fine = finely;
}

export function isFine() {
  return fine;
}

addEventListener("blur", () => letGo());
document.addEventListener("visibilitychange", () => document.hidden && letGo());

/**
 * What a stick asks for: nothing near its middle, then finer than its way, up to all.
 * @param {number} way -1 to 1
 * @param {number} dead the share of its way that counts for nothing, below 1
 * @param {number} curve 1 is straight, 3 is very fine near the middle
 */
export function shaped(way, dead, curve) {
  const beyond = Math.max(0, Math.abs(way) - dead) / (1 - dead);
  return Math.sign(way) * Math.round(Math.min(1, beyond) ** curve * 1000) / 1000;
}
