// Driving by hand: while a stick is held away from its middle, one message each tenth of a second; the daemon lets a drive
// end half a second after the last. Whatever takes the hand away ends it here as well: letting go, another page in front,
// a line that breaks.

import { desk, line } from "./desk.js";
import { known, onAir } from "./known.js";

const EACH_MS = 100;
const LAPSES_MS = 500; // after the last message the daemon has ended a drive, and it is not begun again unasked

/** @typedef {{pan: number, tilt: number, zoom: number}} Deflection each -1 to 1 of the grip; right, up and tighter are positive */

let camera = "";
/** @type {Deflection} */
let wanted = { pan: 0, tilt: 0, zoom: 0 };
let timer = 0;
let saidAt = 0; // by the clock on the wall, which goes on while a computer sleeps
let agreed = false; // to being seen
let fine = false;

/**
 * Drive the chosen camera from now on, or let it go.
 * @param {Deflection} deflection
 * @param {boolean} consented whether a camera on air may be moved: a deliberate second action
 */
export function drive(deflection, consented) {
  const moves = Boolean(deflection.pan || deflection.tilt || deflection.zoom);
  if (!moves || !line.alive || document.hidden || (onAir(known.cameras[desk.chosen]) && !consented) || (timer && camera !== desk.chosen)) {
    letGo();
    return;
  }
  wanted = deflection;
  agreed = consented;
  if (timer) return;
  camera = desk.chosen;
  say();
  timer = window.setInterval(say, EACH_MS);
}

export function letGo() {
  if (!timer) return;
  clearInterval(timer);
  timer = 0;
  line.send(`camera/${camera}/drive`, { pan: 0, tilt: 0 });
}

function say() {
  const lapsed = timer !== 0 && Date.now() - saidAt > LAPSES_MS; // it slept: who held the stick may have let go unheard
  if (lapsed || !line.alive || desk.chosen !== camera || (onAir(known.cameras[camera]) && !agreed)) return letGo();
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

addEventListener("blur", letGo);
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
