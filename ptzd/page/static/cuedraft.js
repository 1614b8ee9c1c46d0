// A cue as it is being written: from the list, or from what stands on the cameras now, and back into a command's fields.

import { cameraNames, known } from "./known.js";

/**
 * @typedef {{camera: string, position: string, speed: number|null, seconds: number|null, on_air: boolean,
 *   earliest: number|null, latest: number|null, spare: boolean}} WrittenMove
 * @typedef {{number: string, label: string, at: string|null, after: number|null, on_call: boolean, expected: number|null,
 *   take: string|null, switch_on: string[], moves: WrittenMove[], at_seconds: number,
 *   places: {camera: string, position: string}[]}} Cue
 * @typedef {{camera: string, position: string, by: string, pace: string, onAir: boolean, earliest: string,
 *   latest: string, spare: boolean}} Move
 * @typedef {{was: Cue|null, number: string, label: string, when: "after"|"at"|"call", seconds: string, at: string,
 *   take: string, switchOn: string[], moves: Move[]}} Draft
 */

const USUAL_GAP_SECONDS = "30"; // to be changed by whoever knows better

/** @param {Cue} cue @returns {Draft} */
export function draftOf(cue) {
  return {
    was: cue,
    number: cue.number,
    label: cue.label,
    when: cue.at !== null ? "at" : cue.on_call ? "call" : "after",
    seconds: text(cue.on_call ? cue.expected : cue.after),
    at: cue.at ?? "",
    take: cue.take ?? "",
    switchOn: cue.switch_on,
    moves: cue.moves.map((move) => ({
      camera: move.camera,
      position: move.position,
      by: move.seconds !== null ? "seconds" : move.speed !== null ? "speed" : "",
      pace: text(move.seconds ?? move.speed),
      onAir: move.on_air,
      earliest: text(move.earliest),
      latest: text(move.latest),
      spare: move.spare,
    })),
  };
}

/**
 * A new cue before the one at a place of the list, or at its end: each camera that stands in another position than the
 * show would have it in goes there, and the camera that is on air is taken.
 * @param {Cue[]} cues @param {number} place @returns {Draft}
 */
export function freshDraft(cues, place) {
  const meant = placesAt(cues, place);
  const standing = cameraNames().filter((name) => known.cameras[name]?.activity === "at-rest" && known.cameras[name].position);
  const seen = cameraNames().filter((name) => known.cameras[name]?.tally === "program");
  return {
    was: null,
    number: numberAfter(cues, place),
    label: "",
    when: "call",
    seconds: USUAL_GAP_SECONDS,
    at: "",
    take: seen.length === 1 ? seen[0] : "",
    switchOn: [],
    moves: standing.filter((name) => meant[name] !== known.cameras[name].position)
      .map((name) => ({ ...moveOf(name), position: known.cameras[name].position ?? "" })),
  };
}

/**
 * Where the show has its cameras before the cue at a place of the list, or after the last.
 * @param {Cue[]} cues @param {number} place @returns {Record<string, string>}
 */
function placesAt(cues, place) {
  const cue = cues[Math.min(place, cues.length - 1)];
  const places = Object.fromEntries(cue.places.map((each) => [each.camera, each.position]));
  if (place < cues.length) return places;
  for (const onAir of [false, true]) {
    if (onAir) for (const camera of cue.switch_on) delete places[camera];
    for (const move of cue.moves) if (move.on_air === onAir) places[move.camera] = move.position;
  }
  return places;
}

/**
 * A free number for a cue before the one at a place of the list, with as few decimals as there is room for.
 * @param {Cue[]} cues @param {number} place
 */
export function numberAfter(cues, place) {
  const low = place > 0 ? Number(cues[place - 1].number) : 0;
  if (place >= cues.length) return String(Math.floor(low) + 1);
  const high = Number(cues[place].number);
  for (const whole of [1, 10, 100, 1000]) {
    const middle = Math.round(((low + high) / 2) * whole) / whole;
    if (low < middle && middle < high) return String(middle);
  }
  return "";
}

/** @param {string} camera @returns {Move} */
export function moveOf(camera) {
  return { camera, position: "", by: "", pace: "", onAir: false, earliest: "", latest: "", spare: false };
}

/** @param {Draft} draft the fields of the command that writes it */
export function fieldsOfDraft(draft) {
  return {
    number: draft.number,
    label: draft.label.trim(),
    ...(draft.when === "at" ? { at: draft.at } : draft.when === "call" ? { on_call: true, expected: Number(draft.seconds) } : { after: Number(draft.seconds) }),
    ...(draft.take ? { take: draft.take } : {}),
    switch_on: draft.switchOn,
    moves: draft.moves.map((move) => ({
      camera: move.camera,
      position: move.position,
      ...(move.by ? { [move.by]: Number(move.pace) } : {}),
      ...(move.onAir ? { on_air: true } : {}),
      ...(move.earliest === "" ? {} : { earliest: Number(move.earliest) }),
      ...(move.latest === "" ? {} : { latest: Number(move.latest) }),
      ...(move.spare ? { spare: true } : {}),
    })),
  };
}

/** @param {Draft} draft @param {Cue[]} cues whether nothing is missing, and no other cue has its number */
export function complete(draft, cues) {
  const free = draft.was !== null || !cues.some((each) => Number(each.number) === Number(draft.number));
  const comes = draft.when === "at" ? draft.at : draft.seconds;
  return free && draft.number !== "" && comes !== "" && draft.moves.every((move) => move.position && (!move.by || move.pace !== ""));
}

/** @param {Cue} cue the fields of the command that writes it as it is listed */
export function fieldsOf(cue) {
  const { at_seconds: _, places: __, ...fields } = cue;
  return { ...fields, replace: true };
}

/** @param {number|null} value */
function text(value) {
  return value === null ? "" : String(value);
}
