// After a knock: a few positions that are framed anew tell where all the others lie. Nothing moves, and nothing is
// written before it was looked at.

import { html, useState } from "./vendor/preact-htm.js";
import { ask, may } from "./desk.js";

/**
 * @typedef {{position: string, pan_deg: number, tilt_deg: number}} Sighting
 * @typedef {{position: string, after: object|null, was_off_px: number|null, expected_px: number|null,
 *   expected_deg: number|null, note: string|null}} Realigned
 * @typedef {{sentence: string, sightings: (Sighting & {fits: boolean})[], positions: Realigned[]}} Found
 */

/** @param {{camera: string, sightings: Sighting[], tell: (sightings: Sighting[]) => void}} properties */
export function Alignment({ camera, sightings, tell }) {
  const [found, setFound] = useState(/** @type {Found|null} */ (null));
  const [written, setWritten] = useState(0);

  /** @param {boolean} apply */
  async function align(apply) {
    const answer = await ask(`camera/${camera}/align`, { apply });
    if (!answer.ok) return setFound(null);
    setFound(apply ? null : answer.result);
    if (!apply) return;
    setWritten(corrected(answer.result).length);
    tell([]);
  }
  /** @param {string} position */
  async function forget(position) {
    const answer = await ask(`camera/${camera}/unsight`, { position });
    setFound(null);
    if (answer.ok) tell(answer.result.sightings);
  }
  async function undo() {
    const answer = await ask(`camera/${camera}/unalign`);
    if (answer.ok) setWritten(0);
  }
  if (!sightings.length) {
    return written ? html`<p class="undo"><button onClick=${undo}>Undo: ${written} positions aligned</button></p>` : null;
  }
  return html`<div class="align" role="group" aria-label="Alignment">
    <ul>${sightings.map((each) => html`<li key=${each.position}>${each.position} seen ${signed(each.pan_deg)} of pan, ${signed(each.tilt_deg)} of tilt off
      <button disabled=${!may()} onClick=${() => forget(each.position)}>Forget</button></li>`)}</ul>
    ${found ? html`<p>${found.sentence}.</p>
      <table><thead><tr><th>position</th><th>was off by</th><th>expected within</th></tr></thead>
        <tbody>${found.positions.map((each) => html`<tr key=${each.position}><td>${each.position}</td><td>${pixels(each.was_off_px)}</td>
          <td>${each.after ? expected(each) : "left alone"}${each.note ? `: ${each.note}` : ""}</td></tr>`)}</tbody></table>
      ${found.sightings.every((each) => each.fits) ? html`<button class="yes" disabled=${!may()} onClick=${() => align(true)}>Write ${corrected(found).length} positions</button>` : null}
      <button onClick=${() => setFound(null)}>Not now</button>`
    : html`<button disabled=${!may()} onClick=${() => align(false)}>What does that tell of all positions?</button>
      ${sightings.length === 1 ? html` <span class="hint">one more, about a quarter turn from it, tells how the head is turned</span>` : null}`}
  </div>`;
}

/** @param {Found} found */
function corrected(found) {
  return found.positions.filter((each) => each.after);
}

/** @param {Realigned} each */
function expected(each) {
  if (each.expected_px === null && each.expected_deg !== null) return `${each.expected_deg.toFixed(3)}°`;
  return pixels(each.expected_px) || "unknown";
}

/** @param {number|null} px of a picture 1920 wide */
function pixels(px) {
  return px === null ? "" : `${px.toFixed(1)} px`;
}

/** @param {number} deg */
function signed(deg) {
  return `${deg < 0 ? "−" : "+"}${Math.abs(deg).toFixed(2)}°`;
}
