// The view for trouble: what is wrong with whom, who keeps which camera still, and what was refused.

import { html } from "./vendor/preact-htm.js";
import { ask, line, may, switchPower } from "./desk.js";
import { cameraNames, doing, known, troublesOf } from "./known.js";
import { Lost, Marks, Question } from "./show.js";

export function Trouble() {
  return html`<main class="trouble">
    <section aria-label="Cameras"><h2>Cameras</h2>
      ${cameraNames().map((name) => (known.cameras[name] ? html`<${Sick} key=${name} camera=${known.cameras[name]} />` : html`<p>${name}: nothing was heard of it</p>`))}
    </section>
    ${known.status?.troubles.length ? html`<section aria-label="What the daemon started without"><h2>What the daemon started without</h2>
      <ul>${known.status.troubles.map((each) => html`<li>⚠ ${each}</li>`)}</ul></section>` : null}
    <section aria-label="What was refused or warned of"><h2>What was refused or warned of</h2>
      ${known.notices.length ? html`<ul>${known.notices.map((each) => html`<li><time>${new Date(each.at).toLocaleTimeString()}</time> <b>${each.who}</b> ${each.sentence}</li>`)}</ul>` : html`<p>Nothing since this page was opened.</p>`}
    </section>
  </main>`;
}

/** @param {{camera: import("./known.js").Camera}} properties */
function Sick({ camera }) {
  const name = camera.camera;
  const troubles = troublesOf(camera);
  /** @param {SubmitEvent} event */
  function lock(event) {
    event.preventDefault();
    const form = /** @type {HTMLFormElement} */ (event.currentTarget);
    const given = new FormData(form);
    void ask(`camera/${name}/lock`, { by: String(given.get("by")).trim(), reason: String(given.get("reason")).trim() });
    form.reset();
  }
  return html`<article class=${troubles.length ? "sick" : ""}>
    <h3>${name} <${Marks} camera=${camera} /></h3>
    <p>${doing(camera)}</p>
    ${troubles.length ? html`<ul>${troubles.map((each) => html`<li>⚠ ${each}</li>`)}</ul>` : html`<p>✓ nothing is wrong that it could tell</p>`}
    <${Lost} camera=${camera} />
    <${Question} camera=${name} />
    ${camera.locks.map((each) => html`<p>Kept still by ${each.by}${each.reason ? `: ${each.reason}` : ""}, since ${new Date(each.since).toLocaleTimeString()}
      <button disabled=${!may()} onClick=${() => ask(`camera/${name}/unlock`, { by: known.who.name, whose: each.by })}>Take off the lock of ${each.by}</button></p>`)}
    <form class="lock" onSubmit=${lock}>
      <label>Who <input name="by" required maxlength="64" autocomplete="off" /></label>
      <label>Why <input name="reason" maxlength="200" autocomplete="off" /></label>
      <button disabled=${!may()}>Stop and lock ${name}</button>
    </form>
    <button disabled=${!line.alive} onClick=${() => ask(`camera/${name}/stop`)}>Stop ${name}</button>
    ${camera.power === "standby" ? html`<button disabled=${!may()} onClick=${() => switchPower(name, "power", { power: "on" }, `switch ${name} on`)}>Switch ${name} on</button>`
      : html`<button disabled=${!may()} onClick=${() => switchPower(name, "power", { power: "standby" }, `put ${name} in standby`)}>Put ${name} in standby</button>
    <button disabled=${!may()} onClick=${() => switchPower(name, "reset", {}, `let ${name} find its ends`)}>Let ${name} find its ends</button>`}
  </article>`;
}
