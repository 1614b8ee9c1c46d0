// The view of the cue list: the cues as they are written, what does not fit in them, and one at a time to be written.

import { html, useEffect, useLayoutEffect, useRef, useState } from "./vendor/preact-htm.js";
import { complete, draftOf, fieldsOf, fieldsOfDraft, freshDraft, moveOf } from "./cuedraft.js";
import { ask, changed, line, may } from "./desk.js";
import { cameraNames, known, notice } from "./known.js";

const GATHER_MS = 200; // what changes within is asked for together
const WRITING_MS = 500; // a pause in writing

/**
 * @typedef {import("./cuedraft.js").Cue} Cue
 * @typedef {import("./cuedraft.js").Draft} Draft
 * @typedef {import("./cuedraft.js").Move} Move
 * @typedef {{cue: string|null, camera: string|null, kind: string, sentence: string, remedies: string[]}} Conflict
 * @typedef {{show: string, label: string, on_air: string|null, cues: Cue[]}} List
 * @typedef {{fits: boolean, verdict: string, reservations: string[], conflicts: Conflict[]}} Rehearsal
 * @typedef {{words: string, topic: string, payload: Record<string, unknown>}} Undo
 */

/** @type {{list: List|null, why: string}} what was asked for last, or why there is none */
const listed = { list: null, why: "" };

/**
 * The last rehearsal: of which draft it is ("" is none), and the count of changes that it was asked at. What is of another
 * one, or older, is not shown as though it held.
 * @type {{found: Rehearsal|null, why: string, of: string, at: number}}
 */
const rehearsed = { found: null, why: "", of: "", at: -1 };

/** @type {string|null} the fields of the draft to be rehearsed; "" without one, null while it is not complete */
let wanted = "";
let rehearsing = false;

/**
 * What is written here, kept while another view is open; a new cue stands below the one of number `after`.
 * @type {{draft: Draft|null, after: string, undo: Undo|null}}
 */
const writing = { draft: null, after: "", undo: null };

/** @param {Partial<typeof writing>} part */
function write(part) {
  Object.assign(writing, part);
  changed();
}

async function look() {
  const answer = await ask("cue/list");
  listed.list = answer.ok ? answer.result : null;
  listed.why = answer.ok ? "" : answer.sentence ?? "";
  changed();
}

async function rehearse() {
  if (rehearsing) return; // it goes on by itself with what is wanted then
  rehearsing = true;
  while (line.alive && wanted !== null && !holds()) {
    const [of, at] = [wanted, known.changes];
    const answer = await ask("show/rehearse", of ? { cue: JSON.parse(of) } : {});
    Object.assign(rehearsed, { found: answer.ok ? answer.result : null, why: answer.ok ? "" : answer.sentence ?? "", of, at });
    changed();
  }
  rehearsing = false;
}

/** Whether what was rehearsed is what is seen here. */
function holds() {
  return line.alive && rehearsed.at === known.changes && rehearsed.of === wanted;
}

export function Cues() {
  const { draft, after, undo } = writing;
  useEffect(() => {
    if (!line.alive) return undefined;
    const timer = setTimeout(() => void look(), GATHER_MS);
    return () => clearTimeout(timer);
  }, [known.changes, line.alive]);
  const list = listed.list;
  wanted = draft === null ? "" : complete(draft, list?.cues ?? []) ? JSON.stringify(fieldsOfDraft(draft)) : null;
  useEffect(() => {
    const timer = setTimeout(() => void rehearse(), draft === null ? GATHER_MS : WRITING_MS);
    return () => clearTimeout(timer);
  }, [known.changes, line.alive, wanted]);

  if (!list) return html`<main class="cues"><p>${listed.why || "The cues are asked for …"}</p></main>`;
  const { cues } = list;

  /** @param {Undo} next */
  async function take(next) {
    write({ undo: null });
    const answer = await ask(next.topic, next.payload);
    if (!answer.ok) notice("undo", answer.sentence ?? "", true);
  }
  /** @param {Cue} cue */
  async function remove(cue) {
    const answer = await ask("cue/remove", { number: cue.number });
    if (answer.ok) write({ undo: { words: `bring cue ${cue.number} back`, topic: "cue/write", payload: fieldsOf(cue) } });
  }
  /** @param {string} number the new cue comes after this one; "" for the end */
  function begin(number) {
    write({ after: number, draft: freshDraft(cues, number === "" ? cues.length : cues.findIndex((each) => each.number === number) + 1) });
  }
  /** @param {Undo|null} next */
  function close(next) {
    const back = draft?.was ? `Edit cue ${draft.was.number}` : `New cue after cue ${after}`;
    write({ draft: null, undo: next ?? undo });
    setTimeout(() => /** @type {HTMLElement|null} */ (document.querySelector(`[aria-label="${back}"]`) ?? document.querySelector(".cues .deeds button"))?.focus(), 0);
  }
  const beside = draft?.was?.number ?? after;
  const below = cues.some((each) => each.number === beside); // else it is a new one, or its cue is gone
  const editor = draft && html`<${Editor} key=${draft.was?.number ?? "new"} draft=${draft} cues=${cues} close=${close} />`;
  return html`<main class="cues">
    <h2>${list.label || list.show}</h2>
    ${draft ? null : html`<${Verdict} />`}
    <p class="deeds">
      <button disabled=${!may() || draft !== null} onClick=${() => begin("")}>New cue from what stands now…</button>
      ${undo ? html`<button disabled=${!may()} onClick=${() => void take(undo)}>Undo: ${undo.words}</button>` : null}
    </p>
    ${below ? null : editor}
    <ol class="list" aria-label="Cues">
      ${cues.map((cue) => html`<li key=${cue.number} class=${known.cue?.next?.number === cue.number ? "next-one" : ""}>
        ${draft?.was?.number === cue.number ? editor : html`<${Listed} cue=${cue} busy=${draft !== null}
          edit=${() => write({ draft: draftOf(cue) })} insert=${() => begin(cue.number)} remove=${() => void remove(cue)} />`}
        ${draft && !draft.was && after === cue.number ? editor : null}
      </li>`)}
    </ol>
  </main>`;
}

function Verdict() {
  const found = rehearsed.found;
  if (!line.alive) return html`<p>not connected: what stands here is old</p>`;
  if (wanted === null) return html`<p role="status">not rehearsed until the cue is complete</p>`;
  if (!holds()) return html`<p role="status">it is being rehearsed …</p>`;
  if (!found) return html`<p class="wrong" role="status">⚠ not rehearsed: ${rehearsed.why}</p>`;
  const general = found.conflicts.filter((each) => each.cue === null);
  return html`<div role="status">
    ${wanted ? html`<p>With the cue as it is written here, not yet saved:</p>` : null}
    <p class=${found.fits ? "ready" : "wrong"}>${found.fits ? "✓" : "⚠"} ${found.verdict}</p>
    ${general.map((each) => html`<p class="wrong">⚠ ${each.sentence}</p>`)}
    ${found.reservations.map((each) => html`<p class="hint">${each}</p>`)}
  </div>`;
}

/** @param {{cue: Cue, busy: boolean, edit: () => void, insert: () => void, remove: () => void}} properties */
function Listed({ cue, busy, edit, insert, remove }) {
  const next = known.cue?.next?.number === cue.number;
  const off = !line.alive || busy;
  return html`<article aria-label=${`Cue ${cue.number}`}>
    <h3><b>${cue.number}</b> ${cue.label}
      ${next ? html` <span class="mark">▷ next${known.cue?.standby ? ", in standby" : ""}</span>` : null}
      ${known.cue?.standing?.number === cue.number ? html` <span class="mark">◆ was run last</span>` : null}</h3>
    <p class="how">${when(cue)} · ${clock(cue.at_seconds)} · ${cue.take ? html`takes <b>${cue.take}</b>` : "takes none"}${cue.switch_on.length ? ` · switches on ${cue.switch_on.join(", ")}` : ""}</p>
    ${cue.moves.length ? html`<ul class="moves">${cue.moves.map((move) => html`<li><b>${move.camera}</b> to <b>${move.position}</b> ${manner(move)}</li>`)}</ul>` : null}
    <${Conflicts} number=${cue.number} />
    <p class="deeds">
      <button class="edit" disabled=${off} onClick=${edit} aria-label=${`Edit cue ${cue.number}`}>Edit…</button>
      <button disabled=${off} onClick=${insert} aria-label=${`New cue after cue ${cue.number}`}>New after…</button>
      <button disabled=${!may() || next} onClick=${() => void ask("cue/jump", { number: cue.number })} aria-label=${`Make cue ${cue.number} next`}>Make it next</button>
      <button disabled=${off} onClick=${remove} aria-label=${`Delete cue ${cue.number}`}>Delete</button>
    </p>
  </article>`;
}

/** @param {{number: string}} properties */
function Conflicts({ number }) {
  const found = holds() ? rehearsed.found?.conflicts ?? [] : [];
  return found.filter((each) => each.cue === number).map((each) => html`<div class="conflict"><p class="wrong">⚠ ${each.sentence}</p>
    ${each.remedies.length ? html`<ul>${each.remedies.map((way) => html`<li>→ ${way}</li>`)}</ul>` : null}</div>`);
}

/**
 * One cue, to be written.
 * @param {{draft: Draft, cues: Cue[], close: (undo: Undo|null) => void}} properties
 */
function Editor({ draft, cues, close }) {
  const [wrong, setWrong] = useState("");
  const form = /** @type {{current: HTMLFormElement|null}} */ (useRef(null));
  const number = draft.number;
  // With the picture, not after it: whoever has gone on to another field by then is not taken back.
  useLayoutEffect(() => {
    form.current?.querySelector("input")?.focus();
  }, []);
  // What was typed since the page was drawn last counts, too: fast fingers press Enter within the same picture.
  /** @param {Partial<Draft>|((latest: Draft) => Partial<Draft>)} part */
  const set = (part) => {
    const latest = writing.draft;
    if (latest) write({ draft: { ...latest, ...(typeof part === "function" ? part(latest) : part) } });
  };
  /** @param {number} index @param {Partial<Move>} part */
  const setMove = (index, part) => set(({ moves }) => ({ moves: moves.map((move, each) => (each === index ? { ...move, ...part } : move)) }));

  /** @param {SubmitEvent} event */
  async function save(event) {
    event.preventDefault();
    const draft = writing.draft;
    if (!draft) return;
    const { number } = draft;
    const now = cues.find((each) => Number(each.number) === Number(number));
    if (draft.was && JSON.stringify(now) !== JSON.stringify(draft.was)) {
      setWrong(`Somebody else has ${now ? "changed" : "deleted"} this cue meanwhile: saving again writes it as it stands here.`);
      set({ was: now ?? null });
      return;
    }
    const answer = await ask("cue/write", { ...fieldsOfDraft(draft), ...(draft.was ? { replace: true } : {}) });
    if (!answer.ok) {
      setWrong(answer.sentence ?? "");
      return;
    }
    for (const warning of answer.result.warnings) notice(`cue ${number}`, warning, true);
    close(now && draft.was ? { words: `write cue ${number} as it was`, topic: "cue/write", payload: fieldsOf(now) }
      : { words: `take cue ${number} out again`, topic: "cue/remove", payload: { number } });
  }
  /** @param {KeyboardEvent} event single keys run no cue while one is written; the stop stays */
  function keep(event) {
    event.stopPropagation();
  }
  return html`<form ref=${form} class="cue-editor" aria-label=${draft.was ? `Cue ${number}` : "New cue"} onSubmit=${save} onKeyDown=${keep}>
    <div class="fields">
      ${draft.was ? html`<p><b>${number}</b></p>` : html`<label>Number <input required inputmode="decimal" pattern="[0-9]{1,5}(\\.[0-9]{1,3})?" title="such as 12 or 12.5" size="6" value=${number} onInput=${input((value) => set({ number: value }))} /></label>`}
      <label class="wide">Label <input maxlength="200" autocomplete="off" value=${draft.label} onInput=${input((value) => set({ label: value }))} /></label>
      <label>Comes <select value=${draft.when} onChange=${input((value) => set({ when: /** @type {"after"|"at"|"call"} */ (value) }))}>
        <option value="call">on call</option><option value="after">after the cue before</option><option value="at">at a time into the show</option></select></label>
      ${draft.when === "at" ? html`<label key="at">Time <input required pattern="([0-9]{1,2}:)?[0-5]?[0-9]:[0-5][0-9](\\.[0-9]{1,3})?" title="hours:minutes:seconds, such as 0:12:30" size="8" value=${draft.at} onInput=${input((value) => set({ at: value }))} /></label>`
        : html`<label key="seconds">${draft.when === "call" ? "Expected after, seconds" : "Seconds"} <input required type="number" min="0" max="86400" step="any" value=${draft.seconds} onInput=${input((value) => set({ seconds: value }))} /></label>`}
      <label>Takes <select value=${draft.take} onChange=${input((value) => set({ take: value }))}>
        <option value="">none: who is on air stays</option>${names(draft.take).map((name) => html`<option value=${name}>${name}</option>`)}</select></label>
    </div>
    ${draft.moves.map((move, index) => html`<${MoveFields} key=${index} move=${move} index=${index} set=${setMove}
      remove=${() => set(({ moves }) => ({ moves: moves.filter((_, each) => each !== index) }))} />`)}
    <p class="deeds"><button type="button" onClick=${() => set(({ moves }) => ({ moves: [...moves, moveOf(cameraNames()[0] ?? "")] }))}>Add a move</button></p>
    <details><summary>Switch cameras on</summary><p class="hint">A camera that is switched on sweeps its whole range.</p>
      ${names(...draft.switchOn).map((name) => html`<label><input type="checkbox" checked=${draft.switchOn.includes(name)}
        onChange=${() => set(({ switchOn }) => ({ switchOn: switchOn.includes(name) ? switchOn.filter((each) => each !== name) : [...switchOn, name] }))} /> ${name}</label> `)}</details>
    <div role="alert">${wrong ? html`<p class="wrong">✗ ${wrong}</p>` : null}</div>
    <${Verdict} />
    <${Conflicts} number=${String(Number(number))} />
    <p class="deeds"><button class="yes" disabled=${!may()}>Save${draft.was ? "" : " the new cue"}</button>
      <button type="button" onClick=${() => close(null)}>Leave it as it was</button></p>
  </form>`;
}

/** @param {{move: Move, index: number, set: (index: number, part: Partial<Move>) => void, remove: () => void}} properties */
function MoveFields({ move, index, set, remove }) {
  const stored = (known.positions[move.camera] ?? []).map((each) => each.name);
  const positions = move.position && !stored.includes(move.position) ? [move.position, ...stored] : stored;
  return html`<fieldset>
    <legend>Move ${index + 1}</legend>
    <label>Camera <select value=${move.camera} onChange=${input((value) => set(index, { camera: value, position: "" }))}>
      ${names(move.camera).map((name) => html`<option value=${name}>${name}</option>`)}</select></label>
    <label>Position <select required value=${move.position} onChange=${input((value) => set(index, { position: value }))}>
      <option value="">choose one</option>${positions.map((name) => html`<option value=${name}>${name}${stored.includes(name) ? "" : " (not stored)"}</option>`)}</select></label>
    <label>Pace <select value=${move.by} onChange=${input((value) => set(index, { by: value }))}>
      <option value="">as stored</option><option value="seconds">seconds</option><option value="speed">speed 1 to 24</option></select></label>
    ${move.by ? html`<label>of <input required type="number" min=${move.by === "speed" ? 1 : 0.1} max=${move.by === "speed" ? 24 : 600} step=${move.by === "speed" ? 1 : "any"} value=${move.pace} onInput=${input((value) => set(index, { pace: value }))} /></label>` : null}
    <label class="tick"><input type="checkbox" checked=${move.onAir} onChange=${() => set(index, { onAir: !move.onAir, earliest: "", latest: "" })} /> on air, leaves with the cue</label>
    <label>Leaves at, seconds from the cue <input type="number" step="any" min=${move.onAir ? 0 : null} max=${move.onAir ? null : -0.001} placeholder=${move.onAir ? "0" : "standby"} value=${move.earliest} onInput=${input((value) => set(index, { earliest: value }))} /></label>
    <label>Settled by <input type="number" step="any" min=${move.onAir ? 0.001 : null} max=${move.onAir ? null : 0} value=${move.latest} onInput=${input((value) => set(index, { latest: value }))} /></label>
    <label class="tick"><input type="checkbox" checked=${move.spare} onChange=${() => set(index, { spare: !move.spare })} /> spare: it may be given up unseen</label>
    <button type="button" onClick=${remove} aria-label=${`Take out move ${index + 1}`}>Take out</button>
  </fieldset>`;
}

/** @param {(value: string) => void} to @returns {(event: Event) => void} */
function input(to) {
  return (event) => to(/** @type {HTMLInputElement} */ (event.currentTarget).value);
}

/** @param {string[]} more names that may be of no camera any more */
function names(...more) {
  const all = cameraNames();
  return [...all, ...more.filter((name) => name && !all.includes(name))];
}

/** @param {Cue} cue */
function when(cue) {
  if (cue.at !== null) return `at ${cue.at}`;
  return cue.on_call ? `on call, about ${cue.expected} s after the cue before` : `${cue.after} s after the cue before`;
}

/** @param {number} seconds */
function clock(seconds) {
  const whole = Math.round(seconds);
  const two = (/** @type {number} */ value) => String(value).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)} into the show`;
}

/** @param {import("./cuedraft.js").WrittenMove} move */
function manner(move) {
  return [
    move.on_air ? "on air, with the cue" : "before the cue",
    move.seconds !== null ? `in ${move.seconds} s` : move.speed !== null ? `at speed ${move.speed}` : "",
    move.earliest !== null ? `not before ${Math.abs(move.earliest)} s ${move.earliest < 0 ? "ahead of" : "after"} it` : "",
    move.latest !== null ? `settled ${Math.abs(move.latest)} s ${move.latest < 0 ? "ahead of" : "after"} it` : "",
    move.spare ? "spare" : "",
  ].filter(Boolean).join(", ");
}
