// The bar above all: what is on air and since when, what comes next and whether it is ready, go, and the stop.

import { html } from "./vendor/preact-htm.js";
import { ask, desk, line, may, open, stopAll } from "./desk.js";
import { cameraNames, known, onAir, troublesOf } from "./known.js";

/** @type {[typeof desk.view, string][]} */
const VIEWS = [["show", "Show"], ["setup", "Set-up"], ["cues", "Cues"], ["trouble", "Trouble"]];

export function Bar() {
  const worried = cameraNames().filter((name) => known.cameras[name] && troublesOf(known.cameras[name]).length).length;
  return html`<header class="bar">
    <nav aria-label="Views">
      ${VIEWS.map(([view, title]) => html`<button class="view" aria-current=${desk.view === view ? "page" : null}
        onClick=${() => open(view)}>${title}${view === "trouble" && worried ? html` <b class="count">${worried}</b>` : null}</button>`)}
    </nav>
    <${OnAir} />
    <${Next} />
    <button class="stop" onClick=${stopAll}><b>Stop all</b> <kbd>Space</kbd></button>
    ${line.alive && !line.broker ? html`<p class="unconnected" role="alert">The daemon has no broker: tallies, and all that others ask for, do not come. Look at the picture before you move a camera.</p>` : null}
    ${line.alive ? null : html`<p class="unconnected" role="alert">Not connected. What stands here is old, and nothing is sent, no stop either.</p>`}
  </header>`;
}

function OnAir() {
  const told = cameraNames().filter((name) => known.cameras[name]?.tally === "program");
  const untold = cameraNames().filter((name) => known.cameras[name]?.tally === "unknown");
  return html`<section class="on-air" aria-label="On air">
    <h2>On air</h2>
    ${told.length === 0 ? html`<p>${untold.length ? "nobody has told" : "no camera"}</p>` : told.map((name) => html`<p>
      <b>${name}</b> <span>${known.cameras[name].position ?? "in no position"}</span> <time>${airTime(name)}</time></p>`)}
  </section>`;
}

/** @param {string} name */
function airTime(name) {
  const since = known.onAirSince[name];
  if (!since) return "";
  const seconds = Math.max(0, Math.floor((Date.now() - since.at) / 1000)); // two clocks may be apart
  const clock = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
  return since.seen ? clock : `over ${clock}`;
}

function Next() {
  const cue = known.cue;
  if (!cue) return html`<section class="next" aria-label="Next"><h2>Next</h2><p>no cue list is loaded</p></section>`;
  const next = cue.next;
  return html`<section class="next" aria-label="Next">
    <h2>Next${cue.held ? " (held)" : ""}</h2>
    <div>
      ${next ? html`<p><b>${next.number}</b> ${next.label} ${next.take ? html`<span>takes ${next.take}${onAir(known.cameras[next.take]) ? ", which is on air" : ""}</span>` : null}</p>
        ${cue.places.some(isThere) ? html`<p class="where">${cue.places.filter(isThere).map((place) => html`<span>✓ ${place.camera} in ${place.position}</span> `)}</p>` : null}
        ${cue.not_ready.map((each) => html`<p class="not-ready">✗ <b>${each.camera}</b>${each.position ? ` to ${each.position}` : ""}: ${each.sentence}</p>`)}
        ${cue.waiting.filter((each) => !cue.not_ready.some((one) => one.sentence === each.sentence)).map((each) => html`<p class="waiting">${each.sentence}</p>`)}
        ${cue.ready ? html`<p class="ready">✓ ready</p>` : null}` : html`<p>no more cues</p>`}
    </div>
    <div class="deeds">
      <button disabled=${!mayGo()} onClick=${standBy}>Stand by <kbd>S</kbd></button>
      <button class="go" disabled=${!mayGo()} onClick=${go}>Go <kbd>G</kbd></button>
      <button disabled=${!may() || !cue.standing} onClick=${back}>Back <kbd>B</kbd></button>
      <button disabled=${!may()} onClick=${hold} aria-pressed=${cue.held}>${cue.held ? "Release" : "Hold"} <kbd>H</kbd></button>
    </div>
  </section>`;
}

/** @param {{camera: string, position: string}} place of the next cue */
function isThere(place) {
  return !known.cue?.not_ready.some((each) => each.camera === place.camera);
}

function mayGo() {
  return may() && Boolean(known.cue?.next);
}
/** Run the next cue, the one that is seen here as the next: not another that has come in between. */
export function go() {
  if (known.cue?.next) void ask("cue/go", { number: Number(known.cue.next.number) });
}
export function standBy() {
  if (known.cue?.next) void ask("cue/standby", { number: Number(known.cue.next.number) });
}
export function back() {
  void ask("cue/back");
}
export function hold() {
  void ask(known.cue?.held ? "cue/release" : "cue/hold");
}
