// All that this page knows: what the daemon has said, and what was chosen here.

/**
 * @typedef {{by: string, reason: string, since: string, kept: boolean}} Lock
 * @typedef {{camera: string, link: string, power: string, phase: string, position: string|null, was_in: string|null, pan_deg: number|null,
 *   tilt_deg: number|null, zoom_counts: number|null, view_width_deg: number|null, view_height_deg: number|null,
 *   seconds_to_settled: number|null, activity: string|null, tally: string, tally_since: string|null, locks: Lock[], faults: string[], as_of: string,
 *   heardAt: number}} Camera
 * @typedef {{name: string, pan_deg: number|null, tilt_deg: number|null, focal_length_mm: number|null,
 *   view_width_deg: number|null, view_height_deg: number|null, speed: number|null, seconds: number|null, note: string,
 *   stored_at: string, still: number|null, provisional: boolean}} Position
 * @typedef {{position: string, stands: boolean, predicted_seconds: number|null, least_seconds: number|null,
 *   most_seconds: number|null, warning: string|null, code: string|null, sentence: string|null}} Foreseen
 * @typedef {{number: string, label: string, take: string|null}} Cue
 * @typedef {{camera: string, position: string|null, code: string, sentence: string}} NotReady
 * @typedef {{show: string, standing: Cue|null, next: Cue|null, standby: boolean, held: boolean, ready: boolean,
 *   not_ready: NotReady[], waiting: NotReady[],
 *   places: {camera: string, position: string}[]}} CueState
 * @typedef {{at: number, who: string, sentence: string, bad: boolean}} Notice
 */

const NOTICES = 50;

export const known = {
  who: { name: "", operates: false },
  /** @type {{cameras: string[], troubles: string[], state: string}|null} */
  status: null,
  /** @type {Record<string, Camera>} */
  cameras: {},
  /** @type {Record<string, Position[]>} */
  positions: {},
  /** @type {Record<string, any>} the last report of a move, for each camera */
  moves: {},
  /** @type {CueState|null} */
  cue: null,
  changes: 0, // of what a rehearsal rests on: the cue list, positions, heads, locks
  /** @type {Record<string, {at: number, seen: boolean}>} since when a camera is on air; whether that was seen here */
  onAirSince: {},
  /** @type {Record<string, Record<string, Foreseen>>} */
  foreseen: {},
  /** @type {Record<string, {position: string, drifted: boolean, sentence: string|null, trim: {right: number, up: number,
   *   tighter: number}|null}>} what a camera showed when it was last held against the still of its position */
  drifts: {},
  /** @type {Notice[]} the newest first */
  notices: [],
};

/** @param {string} topic @param {any} payload */
export function hear(topic, payload) {
  if (topic === "opened") Object.assign(known, { cue: null, moves: {} }); // what of it still holds is told anew
  else if (topic === "page") Object.assign(known, payload.who === undefined ? {} : { who: { name: payload.who, operates: payload.operates } });
  else if (topic === "status") {
    known.status = payload;
    known.changes += 1;
  }
  else if (topic === "cue/state") known.cue = payload;
  else if (topic === "outcome") {
    if (payload.code === "not-clear") return; // it is asked about where it was asked for
    if (!payload.ok) notice(of(payload.topic), payload.sentence, true);
    else if (/\/(write|remove|load|learn)$/.test(payload.topic)) known.changes += 1;
    if (payload.ok && payload.topic.endsWith("cue/load")) for (const each of payload.result.warnings) notice("cues", each, true);
    if (payload.ok && payload.topic.endsWith("cue/go")) hearGo(payload.result);
  } else {
    const [, camera, what] = topic.split("/");
    if (what === "state") hearState(camera, payload);
    else if (what === "positions") {
      known.positions[camera] = payload.positions;
      known.changes += 1;
    }
    else if (what === "move") hearMove(camera, payload);
    else if (what === "drift") known.drifts[camera] = payload;
  }
}

/** @param {any} result of a go */
function hearGo(result) {
  if (!result.counted) notice("cues", `this go came right after that of cue ${result.cue.number} and did not count`, true);
  for (const each of [...result.overtaken, ...result.unready]) notice(each.camera, each.sentence, true);
}

/** @param {string} camera @param {any} state */
function hearState(camera, state) {
  const before = known.cameras[camera];
  const airs = state.tally === "program";
  const since = state.tally_since === null ? null : Date.parse(state.tally_since);
  const anew = before?.tally !== "program" || before.tally_since !== state.tally_since; // off air in between may not be heard here
  if (airs && anew) known.onAirSince[camera] = { at: since ?? Date.now(), seen: since !== null || before !== undefined };
  if (!airs) delete known.onAirSince[camera];
  if (JSON.stringify(before?.locks) !== JSON.stringify(state.locks)) known.changes += 1;
  known.cameras[camera] = { ...state, heardAt: performance.now() };
}

/** @param {string} camera @param {any} move */
function hearMove(camera, move) {
  known.moves[camera] = move;
  if (move.phase === "refused" || move.phase === "failed") notice(camera, move.sentence, true);
  else if (move.phase === "accepted" && move.warning) notice(camera, move.warning, true);
}

/** @param {string} who @param {string} sentence @param {boolean} bad */
export function notice(who, sentence, bad) {
  known.notices = [{ at: Date.now(), who, sentence, bad }, ...known.notices].slice(0, NOTICES);
}

/** @param {string} topic a whole topic; what it is about, for people */
function of(topic) {
  const levels = topic.split("/");
  const at = levels.indexOf("camera");
  return at < 0 ? levels.slice(-2).join(" ") : levels[at + 1];
}

/** The cameras in the order of the configuration. */
export function cameraNames() {
  return known.status?.cameras ?? Object.keys(known.cameras);
}

/**
 * The number by which each position of a camera is recalled: its name, where that is a number, or its place among them, if
 * that is the name of no other.
 * @param {string} camera @returns {(number|null)[]}
 */
export function numbersOf(camera) {
  const names = (known.positions[camera] ?? []).map((position) => position.name);
  return names.map((name, index) => (/^[1-9][0-9]?$/.test(name) ? Number(name) : names.includes(String(index + 1)) ? null : index + 1));
}

/** @param {string} camera @param {number} number */
export function positionOf(camera, number) {
  return known.positions[camera]?.[numbersOf(camera).indexOf(number)];
}

/** @param {Camera|undefined} camera whether moving it is seen: what nobody knows counts as seen */
export function onAir(camera) {
  return camera !== undefined && (camera.tally === "program" || camera.tally === "unknown");
}

/** @param {string} camera what time on air it is in, or that it is off: a yes holds for one alone, and times off air are as one */
export function timeOnAir(camera) {
  return known.onAirSince[camera] ?? onAir(known.cameras[camera]);
}

/** @param {Camera} camera seconds until it is settled, as told last and counted down since */
export function secondsToGo(camera) {
  if (camera.seconds_to_settled === null) return null;
  return Math.max(0, camera.seconds_to_settled - (performance.now() - camera.heardAt) / 1000);
}

/** @param {Camera} camera what is wrong with it, in sentences */
export function troublesOf(camera) {
  const found = [];
  if (camera.link !== "up") found.push("it does not answer");
  else if (camera.power !== "on") found.push(`its power is ${camera.power}`);
  for (const lock of camera.locks) {
    found.push(`locked by ${lock.by}${lock.reason ? `: ${lock.reason}` : ""}${lock.kept ? "" : "; the disk has not taken it, so a restart of the daemon would lose it"}`);
  }
  if (camera.tally === "unknown") found.push("nobody has told whether it is on air");
  return [...found, ...camera.faults];
}

/** @param {Camera} camera what it is doing, in a few words */
export function doing(camera) {
  const move = known.moves[camera.camera];
  if (camera.link !== "up") return "no answer";
  if (camera.power !== "on") return `power ${camera.power}`;
  if (camera.activity === null) return "not seen to be at rest";
  if (camera.activity === "halting") return "stopping";
  if (camera.activity === "by-hand") return "moved by hand";
  if (camera.activity === "learning") return "being measured";
  if (camera.activity === "direct" || camera.activity === "shaped") {
    const seconds = secondsToGo(camera);
    return `to ${move?.position ?? "its new framing"}${seconds === null ? "" : `, ${seconds.toFixed(1)} s to go`}`;
  }
  return camera.position === null ? "stands, in no position" : `stands in ${camera.position}`;
}

/**
 * What has drifted in the position that a camera stands in, as its picture told.
 * @param {Camera} camera
 */
export function driftOf(camera) {
  const drift = known.drifts[camera.camera];
  return drift?.drifted && drift.position === camera.position ? drift : null;
}
