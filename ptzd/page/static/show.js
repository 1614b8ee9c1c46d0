// The view for the show: each camera with its picture, what it does, and its positions.

import { html } from "./vendor/preact-htm.js";
import { choose, desk, line, may, move, question, recall, recallTyped, sayNo, sayYes } from "./desk.js";
import { cameraNames, doing, driftOf, known, numbersOf, onAir, troublesOf } from "./known.js";
import { Picture, Still } from "./picture.js";

export function Show() {
  return html`<main class="show">
    ${cameraNames().map((name) => (known.cameras[name] ? html`<${Strip} key=${name} camera=${known.cameras[name]} />` : null))}
  </main>`;
}

/** @param {{camera: import("./known.js").Camera}} properties */
function Strip({ camera }) {
  const name = camera.camera;
  const chosen = desk.chosen === name;
  const positions = known.positions[name] ?? [];
  const numbers = numbersOf(name);
  return html`<section class=${`strip ${onAir(camera) ? "airs" : ""} ${chosen ? "chosen" : ""}`} aria-label=${name}>
    <h2><button class="name" aria-pressed=${chosen} onClick=${() => choose(name)}>${name}</button>
      <${Marks} camera=${camera} /></h2>
    <${Picture} camera=${name} live=${line.alive} />
    <p class="doing">${doing(camera)}</p>
    ${troublesOf(camera).map((each) => html`<p class="wrong">⚠ ${each}</p>`)}
    <${Lost} camera=${camera} />
    <${Drifted} camera=${camera} />
    <${Question} camera=${name} />
    ${chosen ? html`<${Typed} count=${positions.length} />` : null}
    <ol class="positions" aria-label=${`Positions of ${name}`}>
      ${positions.map((position, index) => html`<li key=${position.name}><${Tile} camera=${camera} position=${position} number=${numbers[index]} /></li>`)}
    </ol>
    ${positions.length ? null : html`<p class="none">No position is stored: frame one under Set-up.</p>`}
  </section>`;
}

/**
 * What a camera is, in words and shapes.
 * @param {{camera: import("./known.js").Camera}} properties
 */
export function Marks({ camera }) {
  return html`<span class="marks">
    ${camera.tally === "program" ? html`<b class="mark air">● on air</b>` : null}
    ${camera.tally === "unknown" ? html`<b class="mark air">? counts as on air</b>` : null}
    ${known.cue?.next?.take === camera.camera ? html`<b class="mark">▷ next</b>` : null}
    ${camera.locks.length ? html`<b class="mark">✕ locked</b>` : null}
  </span>`;
}

/**
 * Where a camera was before it restarted: nothing is moved unasked.
 * @param {{camera: import("./known.js").Camera}} properties
 */
export function Lost({ camera }) {
  const { camera: name, was_in: position } = camera;
  if (position === null) return null;
  return html`<p class="wrong">⚠ ${name} restarted or fell silent; it was in ${position}, or on its way there.
    <button disabled=${!may()} onClick=${() => recall(name, position)}>Recall ${position}</button></p>`;
}

/**
 * What has drifted, and a trim that is offered: nothing is moved unasked.
 * @param {{camera: import("./known.js").Camera}} properties
 */
export function Drifted({ camera }) {
  const drift = driftOf(camera);
  if (!drift) return null;
  return html`<p class="wrong">⚠ ${drift.sentence}
    ${drift.trim ? html`<button disabled=${!may()} onClick=${() => move(camera.camera, "nudge", { ...drift.trim }, "by that trim")}>Trim it</button>` : null}</p>`;
}

/**
 * The second yes to a move on air.
 * @param {{camera: string}} properties
 */
export function Question({ camera }) {
  const pending = question();
  if (pending?.camera !== camera) return null;
  if (pending.caution) {
    return html`<div class="question" role="alertdialog" aria-label=${`${pending.words}?`}>
      <p>⚠ ${pending.caution}.</p>
      <button class="yes" onClick=${sayYes}>All is clear: ${pending.words} <kbd>Y</kbd></button>
      <button onClick=${sayNo}>No <kbd>N</kbd></button>
    </div>`;
  }
  const seconds = pending.foreseen?.predicted_seconds;
  return html`<div class="question" role="alertdialog" aria-label=${`Move ${camera} on air?`}>
    <p><b>${camera} is on air.</b> Move it ${pending.words} in view${seconds ? `, ${seconds.toFixed(1)} s` : ""}?</p>
    ${pending.foreseen?.warning ? html`<p class="wrong">⚠ ${pending.foreseen.warning}</p>` : null}
    <button class="yes" onClick=${sayYes}>Move on air <kbd>Y</kbd></button>
    <button onClick=${sayNo}>No <kbd>N</kbd></button>
  </div>`;
}

/** @param {{count: number}} properties */
function Typed({ count }) {
  /** @param {SubmitEvent} event */
  function submit(event) {
    event.preventDefault();
    const field = /** @type {HTMLInputElement} */ (/** @type {HTMLFormElement} */ (event.currentTarget).elements[0]);
    if (field.value.trim()) recallTyped(field.value.trim());
    field.value = "";
    field.blur();
  }
  return html`<form class="typed" onSubmit=${submit}>
    <label>Number or name <kbd>/</kbd> <input name="typed" autocomplete="off" pattern="[a-z0-9\\-]*" placeholder=${count ? `1 to ${count}` : ""} disabled=${!count} /></label>
    <button disabled=${!may() || !count}>Recall</button>
  </form>`;
}

/** @param {{camera: import("./known.js").Camera, position: import("./known.js").Position, number: number|null}} properties */
function Tile({ camera, position, number }) {
  const foreseen = known.foreseen[camera.camera]?.[position.name];
  const stands = camera.position === position.name;
  const goes = (camera.activity === "direct" || camera.activity === "shaped") && known.moves[camera.camera]?.position === position.name;
  return html`<button class=${`tile ${stands ? "stands" : ""} ${goes ? "goes" : ""}`} disabled=${!may()}
      onClick=${() => recall(camera.camera, position.name)} title=${position.note || null}>
    <${Still} camera=${camera.camera} position=${position} />
    <span class="called"><b>${number}</b> ${position.name}</span>
    <span class="how">${[pace(position), framing(position)].filter(Boolean).join(" · ")}</span>
    <span class="when">${stands ? "✓ stands here" : goes ? "on its way" : foreseen?.sentence ? `✗ ${foreseen.sentence}`
      : foreseen?.predicted_seconds ? `in ${foreseen.predicted_seconds.toFixed(1)} s` : ""}${foreseen?.warning ? ` ⚠ ${foreseen.warning}` : ""}</span>
  </button>`;
}

/** @param {import("./known.js").Position} position */
export function pace(position) {
  if (position.seconds !== null) return `${position.seconds} s`;
  return position.speed === null ? "" : `speed ${position.speed}`;
}

/** @param {import("./known.js").Position} position */
export function framing(position) {
  return position.provisional ? `provisional, ${lens(position)}` : lens(position);
}

/** @param {import("./known.js").Position} position */
function lens(position) {
  if (position.focal_length_mm !== null) return `${position.focal_length_mm} mm`;
  return position.pan_deg === null ? "other scales" : `${position.pan_deg.toFixed(1)}° ${position.tilt_deg?.toFixed(1)}°`;
}
