// A stick on the page: pressed and drawn away from its middle it drives the chosen camera, until it is let go.

import { html, useRef, useState } from "./vendor/preact-htm.js";
import { changed, may } from "./desk.js";
import { drive, hold, isFine, letGo, shaped } from "./drive.js";
import { pageHadFocus } from "./focus.js";
import { onAir, timeOnAir } from "./known.js";
import { settings } from "./settings.js";

/**
 * @param {{camera: import("./known.js").Camera}} properties
 */
export function Stick({ camera }) {
  const plate = /** @type {{current: HTMLElement|null}} */ (useRef(null));
  const held = useRef(false);
  const wanted = useRef({ pan: 0, tilt: 0, zoom: 0 });
  const yes = useRef(/** @type {unknown} */ (null)); // to what time on air: a yes holds for no other
  const [at, setAt] = useState([0, 0]);
  const [fine, setFine] = useState(isFine());
  const airs = onAir(camera);
  const consented = () => yes.current === timeOnAir(camera.camera);

  /**
   * @param {Element} pressed
   * @param {number} pointer
   * @returns {import("./drive.js").Hand}
   */
  const handOn = (pressed, pointer) => () =>
    pressed.isConnected && pressed.hasPointerCapture(pointer) ? { deflection: wanted.current, consented: consented() } : null;

  /** @param {PointerEvent} event */
  function follow(event) {
    if (!held.current) return;
    if (!event.buttons) return up(); // it was let go while nobody heard
    const box = /** @type {HTMLElement} */ (plate.current).getBoundingClientRect();
    const x = limited((2 * (event.clientX - box.left)) / box.width - 1);
    const y = limited((2 * (event.clientY - box.top)) / box.height - 1);
    setAt([x, y]);
    wanted.current = { pan: shaped(x, settings.dead, settings.curve), tilt: -shaped(y, settings.dead, settings.curve), zoom: 0 };
    drive(handOn(/** @type {HTMLElement} */ (plate.current), event.pointerId));
  }
  /** @param {PointerEvent} event */
  function down(event) {
    if (event.button !== 0 || !may() || !pageHadFocus()) return;
    held.current = true;
    plate.current?.setPointerCapture(event.pointerId);
    follow(event);
  }
  function up() {
    held.current = false;
    setAt([0, 0]);
    letGo();
  }
  /** @param {number} zoom */
  const zoomer = (zoom) => ({
    /** @param {PointerEvent} event */
    onPointerDown: (event) => {
      if (event.button !== 0 || !pageHadFocus()) return;
      const button = /** @type {HTMLElement} */ (event.currentTarget);
      button.setPointerCapture(event.pointerId);
      wanted.current = { pan: 0, tilt: 0, zoom };
      drive(handOn(button, event.pointerId));
    },
    onPointerUp: up,
    onPointerCancel: up,
    onLostPointerCapture: up,
  });
  return html`<div class="stick" role="group" aria-label="Drive by hand">
    <div class="plate" ref=${plate} aria-hidden="true" onPointerDown=${down} onPointerMove=${follow} onPointerUp=${up}
      onPointerCancel=${up} onLostPointerCapture=${up}><span style=${{ left: `${50 + 42 * at[0]}%`, top: `${50 + 42 * at[1]}%` }}></span></div>
    <p class="hint">Press and draw away from the middle: it moves until let go.</p>
    <label><input type="checkbox" checked=${fine} onChange=${() => { setFine(!fine); hold(!fine); }} /> fine grip</label>
    <button ...${zoomer(0.5)} disabled=${!may()} tabindex="-1">tighter, while held</button>
    <button ...${zoomer(-0.5)} disabled=${!may()} tabindex="-1">wider, while held</button>
    ${airs ? html`<label class="wrong"><input type="checkbox" checked=${consented()} onChange=${() => { yes.current = consented() ? null : timeOnAir(camera.camera); changed(); }} /> ${camera.camera} is on air: drive it all the same</label>` : null}
  </div>`;
}

/** @param {number} share */
function limited(share) {
  return Math.min(1, Math.max(-1, share));
}
