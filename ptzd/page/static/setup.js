// The view for the set-up: one camera large, aimed in its picture, and its positions kept, named and brought back.

import { html, useRef, useState } from "./vendor/preact-htm.js";
import { Alignment } from "./align.js";
import { ask, choose, desk, line, may, move, recall } from "./desk.js";
import { pageHadFocus } from "./focus.js";
import { GamepadSettings } from "./gamepad.js";
import { corners } from "./geometry.js";
import { cameraNames, doing, known, numbersOf, troublesOf } from "./known.js";
import { Picture, Still } from "./picture.js";
import { Stick } from "./stick.js";
import { Drifted, Lost, Marks, Question, framing, pace } from "./show.js";

const NUDGE = 0.01; // of the picture
const COARSE = 5; // times that, with Shift
const TIGHTER = 0.02;
const A_DRAG = 0.02; // of the picture's width: what is shorter is a point

/** @param {string} key @param {boolean} shift whether a key of the set-up was taken */
export function nudgeByKey(key, shift) {
  const share = NUDGE * (shift ? COARSE : 1);
  /** @type {Record<string, Record<string, number>>} */
  const nudges = {
    ArrowLeft: { right: -share }, ArrowRight: { right: share }, ArrowUp: { up: share }, ArrowDown: { up: -share },
    "+": { tighter: TIGHTER }, "-": { tighter: -TIGHTER },
  };
  if (!nudges[key] || !desk.chosen) return false;
  nudge(nudges[key]);
  return true;
}

/** @param {Record<string, number>} by */
function nudge(by) {
  void move(desk.chosen, "nudge", by, "a little");
}

export function Setup() {
  const camera = known.cameras[desk.chosen];
  return html`<main class="setup">
    <nav class="which" aria-label="Cameras">${cameraNames().map((name) => html`<button aria-pressed=${name === desk.chosen}
      onClick=${() => choose(name)}>${name}</button>`)}</nav>
    ${camera ? html`<${Aim} key=${camera.camera} camera=${camera} /><${Kept} key=${`kept ${camera.camera}`} camera=${camera} />` : null}
  </main>`;
}

/**
 * The picture, to point and to drag in.
 * @param {{camera: import("./known.js").Camera}} properties
 */
function Aim({ camera }) {
  const [drag, setDrag] = useState(/** @type {number[]|null} */ (null)); // x0, y0, x1, y1 in shares of the picture
  const [kind, setKind] = useState("");
  const [others, setOthers] = useState(true);
  const surface = /** @type {{current: SVGSVGElement|null}} */ (useRef(null));
  const aims = kind.startsWith("image/jpeg");

  /** @param {PointerEvent} event */
  function at(event) {
    const box = /** @type {SVGSVGElement} */ (surface.current).getBoundingClientRect();
    return [clamped((event.clientX - box.left) / box.width), clamped((event.clientY - box.top) / box.height)];
  }
  /** @param {PointerEvent} event */
  function down(event) {
    if (!aims || !may() || event.button !== 0 || !pageHadFocus()) return;
    surface.current?.setPointerCapture(event.pointerId);
    const [x, y] = at(event);
    setDrag([x, y, x, y]);
  }
  /** @param {PointerEvent} event */
  function moved(event) {
    if (drag) setDrag([drag[0], drag[1], ...at(event)]);
  }
  function up() {
    if (!drag) return;
    setDrag(null);
    const [x0, y0, x1, y1] = drag;
    if (Math.max(Math.abs(x1 - x0), Math.abs(y1 - y0)) < A_DRAG) void move(camera.camera, "frame", { point: [x1, y1] }, "to that point");
    else if (Math.min(Math.abs(x1 - x0), Math.abs(y1 - y0)) >= A_DRAG / 2)
      void move(camera.camera, "frame", { box: [Math.min(x0, x1), Math.min(y0, y1), Math.max(x0, x1), Math.max(y0, y1)] }, "to that part of the picture");
  }
  const box = drag && { x: Math.min(drag[0], drag[2]), y: Math.min(drag[1], drag[3]), width: Math.abs(drag[2] - drag[0]), height: Math.abs(drag[3] - drag[1]) };
  return html`<section class="aim" aria-label=${`Aim ${camera.camera}`}>
    <div class="frame">
      <${Picture} camera=${camera.camera} live=${line.alive} onKind=${setKind} />
      <svg ref=${surface} class=${aims ? "surface aims" : "surface"} viewBox="0 0 1 1" preserveAspectRatio="none" aria-hidden="true"
        onPointerDown=${down} onPointerMove=${moved} onPointerUp=${up} onPointerCancel=${() => setDrag(null)}>
        ${others && aims ? (known.positions[camera.camera] ?? []).map((position) => html`<${Outline} position=${position} camera=${camera} />`) : null}
        ${box ? html`<rect class="drag" ...${box} />` : null}
      </svg>
      ${others && aims ? html`<div class="names" aria-hidden="true">${(known.positions[camera.camera] ?? []).map((position) => named(position, camera))}</div>` : null}
    </div>
    <p class="doing"><${Marks} camera=${camera} /> ${doing(camera)}${camera.pan_deg === null ? "" : ` · pan ${camera.pan_deg.toFixed(2)}° tilt ${camera.tilt_deg?.toFixed(2)}°`}</p>
    ${troublesOf(camera).map((each) => html`<p class="wrong">⚠ ${each}</p>`)}
    <${Lost} camera=${camera} />
    <${Drifted} camera=${camera} />
    <${Question} camera=${camera.camera} />
    <div class="nudges" role="group" aria-label="Move a little">
      ${[["◀", "left", { right: -NUDGE }], ["▶", "right", { right: NUDGE }], ["▲", "up", { up: NUDGE }], ["▼", "down", { up: -NUDGE }], ["+", "tighter", { tighter: TIGHTER }], ["−", "wider", { tighter: -TIGHTER }]]
        .map(([sign, words, by]) => html`<button aria-label=${words} disabled=${!may()} onClick=${() => nudge(/** @type {Record<string, number>} */ (by))}>${sign}</button>`)}
      <label><input type="checkbox" checked=${others} onChange=${() => setOthers(!others)} /> show where other positions lie</label>
    </div>
    <${Stick} camera=${camera} />
    <p class="hint">${aims ? "Point to bring it to the middle; drag a frame to fill the picture with it." : "Without a picture, aim with the keys below."} Arrows and + − move a little, with Shift five times as far.</p>
    <${GamepadSettings} />
  </section>`;
}

/** @param {{position: import("./known.js").Position, camera: import("./known.js").Camera}} properties */
function Outline({ position, camera }) {
  const found = camera.position === position.name ? null : corners(position, camera);
  return found && html`<polygon points=${found.map((point) => point.join(",")).join(" ")} />`;
}

/** @param {import("./known.js").Position} position @param {import("./known.js").Camera} camera */
function named(position, camera) {
  const found = camera.position === position.name ? null : corners(position, camera);
  if (!found) return null;
  const [x, y] = found[0];
  if (x < 0 || x > 0.95 || y < 0 || y > 0.95) return null;
  return html`<span style=${{ left: `${100 * x}%`, top: `${100 * y}%` }}>${position.name}</span>`;
}

/**
 * The positions, and how they come to be.
 * @param {{camera: import("./known.js").Camera}} properties
 */
function Kept({ camera }) {
  const name = camera.camera;
  const positions = known.positions[name] ?? [];
  const numbers = numbersOf(name);
  const [replacing, setReplacing] = useState(/** @type {{position: string, payload: Record<string, unknown>}|null} */ (null));
  const [undo, setUndo] = useState(/** @type {{words: string, topic: string, payload: Record<string, unknown>}|null} */ (null));
  const [looking, setLooking] = useState(/** @type {{position: string, entries: any[]}|null} */ (null));
  const [sightings, setSightings] = useState(/** @type {import("./align.js").Sighting[]} */ ([]));
  const still = camera.activity === "at-rest" && may();

  /** @param {string} position */
  async function sight(position) {
    const answer = await ask(`camera/${name}/sight`, { position });
    if (answer.ok) setSightings(answer.result.sightings);
  }
  /** @param {string} position the number of its framing in the history, which an undo brings back */
  async function currentNumber(position) {
    const answer = await ask(`camera/${name}/history`, { position });
    return answer.ok ? answer.result.entries.find((/** @type {any} */ entry) => entry.current)?.number : undefined;
  }
  /** @param {Record<string, unknown>} payload */
  async function store(payload) {
    const position = String(payload.position);
    const before = payload.replace ? await currentNumber(position) : undefined;
    const answer = await ask(`camera/${name}/store`, payload);
    setReplacing(null);
    if (!answer.ok) return;
    setUndo(before === undefined ? { words: `take ${position} away again`, topic: "delete", payload: { position } }
      : { words: `bring back the old ${position}`, topic: "revert", payload: { position, number: before } });
  }
  /** @param {SubmitEvent} event */
  function submit(event) {
    event.preventDefault();
    const form = /** @type {HTMLFormElement} */ (event.currentTarget);
    const given = new FormData(form);
    const position = String(given.get("position")).trim();
    const payload = { position, ...paceOf(given), note: String(given.get("note") ?? "").trim() };
    if (positions.some((each) => each.name === position)) setReplacing({ position, payload: { ...payload, replace: true } });
    else void store(payload);
    form.reset();
  }
  /** @param {string} position */
  async function remove(position) {
    const number = await currentNumber(position);
    const answer = await ask(`camera/${name}/delete`, { position });
    if (answer.ok && number !== undefined) setUndo({ words: `bring ${position} back`, topic: "revert", payload: { position, number } });
  }
  /** @param {string} position @param {string} to */
  async function rename(position, to) {
    const answer = await ask(`camera/${name}/rename`, { position, to });
    if (answer.ok) setUndo({ words: `call it ${position} again`, topic: "rename", payload: { position: to, to: position } });
  }
  /** @param {number} index @param {number} by */
  async function shift(index, by) {
    const before = positions.map((each) => each.name);
    const after = [...before];
    [after[index], after[index + by]] = [after[index + by], after[index]];
    const answer = await ask(`camera/${name}/arrange`, { positions: after });
    if (answer.ok) setUndo({ words: "the order before", topic: "arrange", payload: { positions: before } });
  }
  /** @param {string} position */
  async function look(position) {
    const answer = await ask(`camera/${name}/history`, { position });
    setLooking(answer.ok ? { position, entries: answer.result.entries } : null);
  }
  const old = replacing && positions.find((each) => each.name === replacing.position);
  return html`<section class="kept" aria-label=${`Positions of ${name}`}>
    <h2>Positions</h2>
    <form class="store" onSubmit=${submit}>
      <label>Name <input name="position" required pattern="[a-z0-9][a-z0-9\\-]*" maxlength="32" autocomplete="off" title="small letters, digits and hyphens" /></label>
      <label>Pace <select name="by"><option value="">the camera's own</option><option value="seconds">seconds</option><option value="speed">speed 1 to 24</option></select></label>
      <label>of <input name="pace" type="number" min="0.1" step="any" inputmode="decimal" /></label>
      <label>Note <input name="note" maxlength="1000" autocomplete="off" /></label>
      <button disabled=${!still}>Store what is seen</button>
      ${camera.activity === "at-rest" ? null : html`<span class="hint">when it stands</span>`}
    </form>
    ${undo ? html`<p class="undo"><button onClick=${() => { void ask(`camera/${name}/${undo.topic}`, undo.payload); setUndo(null); }}>Undo: ${undo.words}</button></p>` : null}
    ${replacing && old ? html`<div class="replace" role="alertdialog" aria-label=${`Replace ${replacing.position}?`}>
      <figure><${Still} camera=${name} position=${old} /><figcaption>${replacing.position} as it is kept</figcaption></figure>
      <figure><${Picture} camera=${name} live=${line.alive} /><figcaption>as it would be</figcaption></figure>
      <button class="yes" disabled=${!still} onClick=${() => store(replacing.payload)}>Replace ${replacing.position}</button>
      <button onClick=${() => setReplacing(null)}>Keep it as it is</button>
    </div>` : null}
    <${Alignment} camera=${name} sightings=${sightings} tell=${setSightings} />
    <ol class="rows">
      ${positions.map((position, index) => html`<li key=${position.name} class=${camera.position === position.name ? "stands" : ""}>
        <${Still} camera=${name} position=${position} />
        <span class="called"><b>${numbers[index]}</b> ${position.name}${camera.position === position.name ? " ✓ stands here" : ""}</span>
        <span class="how">${[pace(position), framing(position), position.note].filter(Boolean).join(" · ")}</span>
        <span class="deeds">
          <button disabled=${!may()} onClick=${() => recall(name, position.name)}>Recall</button>
          <button disabled=${!still} onClick=${() => setReplacing({ position: position.name, payload: { position: position.name, ...kept(position), replace: true } })}>Replace…</button>
          <button disabled=${!still} title="After a knock: the camera shows again what this position is; nothing moves" onClick=${() => sight(position.name)}>Seen now</button>
          <${Rename} position=${position.name} rename=${rename} />
          <button disabled=${!may() || index === 0} aria-label=${`Move ${position.name} up`} onClick=${() => shift(index, -1)}>▲</button>
          <button disabled=${!may() || index === positions.length - 1} aria-label=${`Move ${position.name} down`} onClick=${() => shift(index, 1)}>▼</button>
          <button disabled=${!may()} onClick=${() => look(position.name)}>History…</button>
          <button disabled=${!may()} onClick=${() => remove(position.name)}>Delete</button>
        </span>
        ${looking?.position === position.name ? html`<ol class="history">${looking.entries.map((/** @type {any} */ entry) => html`<li>
          <img class="still" alt="" src=${`/still/${name}/${position.name}?number=${entry.number}`} />
          ${entry.number}: ${new Date(entry.position.stored_at).toLocaleString()}
          ${entry.current ? " (now)" : html` <button onClick=${() => { void ask(`camera/${name}/revert`, { position: position.name, number: entry.number }); setLooking(null); }}>Bring back</button>`}</li>`)}
          <li><button onClick=${() => setLooking(null)}>Close</button></li></ol>` : null}
      </li>`)}
    </ol>
  </section>`;
}

/** @param {{position: string, rename: (position: string, to: string) => void}} properties */
function Rename({ position, rename }) {
  const [open, setOpen] = useState(false);
  /** @param {SubmitEvent} event */
  function submit(event) {
    event.preventDefault();
    const to = String(new FormData(/** @type {HTMLFormElement} */ (event.currentTarget)).get("to")).trim();
    setOpen(false);
    if (to && to !== position) rename(position, to);
  }
  if (!open) return html`<button disabled=${!may()} onClick=${() => setOpen(true)}>Rename…</button>`;
  return html`<form onSubmit=${submit}><input name="to" aria-label=${`New name of ${position}`} defaultValue=${position} required pattern="[a-z0-9][a-z0-9\\-]*" maxlength="32" autofocus /> <button>Rename</button></form>`;
}

/** @param {FormData} given @returns {Record<string, number>} */
function paceOf(given) {
  const by = String(given.get("by") ?? "");
  const value = Number(given.get("pace"));
  return by && value > 0 ? { [by]: value } : {};
}

/** @param {import("./known.js").Position} position what a replaced position keeps */
function kept(position) {
  return { ...(position.seconds === null ? {} : { seconds: position.seconds }), ...(position.speed === null ? {} : { speed: position.speed }), note: position.note };
}

/** @param {number} share */
function clamped(share) {
  return Math.min(1, Math.max(0, share));
}
