// A gamepad or joystick that the browser knows (W3C Gamepad, standard layout): left stick pan and tilt, right stick up and
// down zoom. It drives the chosen camera only while its enabling button is held, and one on air only with a second one.

import { html } from "./vendor/preact-htm.js";
import { changed } from "./desk.js";
import { drive, letGo, shaped } from "./drive.js";
import { set, settings } from "./settings.js";

function look() {
  requestAnimationFrame(look);
  if (held()) drive(held);
  else letGo(held);
}

/** @type {import("./drive.js").Hand} */
function held() {
  const pad = document.hasFocus() ? connected()[0] : undefined;
  if (!pad?.buttons[settings.enable]?.pressed) return null;
  const [pan, tilt, , zoom] = [0, 1, 2, 3].map((axis) => shaped(pad.axes[axis] ?? 0, settings.dead, settings.curve));
  return { deflection: { pan, tilt: -tilt, zoom: -zoom }, consented: Boolean(pad.buttons[settings.consent]?.pressed) };
}

function connected() {
  return /** @type {Gamepad[]} */ (navigator.getGamepads().filter(Boolean));
}

if ("getGamepads" in navigator) requestAnimationFrame(look);
addEventListener("gamepadconnected", changed);
addEventListener("gamepaddisconnected", changed);

export function GamepadSettings() {
  const pads = connected();
  if (!pads.length) return html`<p class="hint">A gamepad moves the chosen camera, too: press one of its buttons to have it found.</p>`;
  return html`<fieldset class="gamepad"><legend>Gamepad</legend>
    <p>Hold button ${settings.enable + 1} to drive the chosen camera; one that is on air needs button ${settings.consent + 1} held as well.</p>
    <${Figure} words="Dead middle" name="dead" least=${0} most=${0.5} step=${0.01} />
    <${Figure} words="Curve" name="curve" least=${1} most=${4} step=${0.1} />
    <${Figure} words="Enabling button" name="enable" least=${1} most=${20} step=${1} from=${1} />
    <${Figure} words="On-air button" name="consent" least=${1} most=${20} step=${1} from=${1} />
  </fieldset>`;
}

/**
 * @param {{words: string, name: keyof typeof settings, least: number, most: number, step: number, from?: number}} properties
 */
function Figure({ words, name, least, most, step, from = 0 }) {
  /** @param {Event} event */
  function change(event) {
    const value = Number(/** @type {HTMLInputElement} */ (event.target).value);
    if (value >= least && value <= most) set({ [name]: value - from });
    changed();
  }
  return html`<label>${words} <input type="number" min=${least} max=${most} step=${step} defaultValue=${settings[name] + from} onChange=${change} /></label>`;
}
