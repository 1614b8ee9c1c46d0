// The page: one of its views below the bar, drawn anew whenever something has changed.

import { html, render } from "./vendor/preact-htm.js";
import { Bar } from "./bar.js";
import { Cues } from "./cues.js";
import { changed, desk, line, onChange } from "./desk.js";
import { known } from "./known.js";
import "./focus.js";
import "./keys.js";
import { Setup } from "./setup.js";
import { Show } from "./show.js";
import { Trouble } from "./trouble.js";

const TICK_MS = 100; // what is counted down is shown in tenths
const STILL_TICKS = 5; // of a clock that shows seconds

const VIEWS = { show: Show, setup: Setup, cues: Cues, trouble: Trouble };

function Page() {
  const View = VIEWS[desk.view];
  const last = known.notices[0];
  return html`<${Bar} />
    <p class="last" role="status" aria-live="polite">${last && Date.now() - last.at < 20000 ? html`<b>${last.who}</b> ${last.sentence}` : null}</p>
    <${View} />
    <footer><label><input type="checkbox" checked=${desk.keys} onChange=${() => { desk.keys = !desk.keys; changed(); }} /> single keys work</label>
      <span>${known.who.name}${known.who.name === "" || known.who.operates ? "" : ", who may look only"}</span></footer>`;
}

let waiting = false;
function draw() {
  waiting = false;
  render(html`<${Page} />`, /** @type {Element} */ (document.getElementById("page")));
}

onChange(() => {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(draw);
});
let ticks = 0;
setInterval(() => {
  const counting = desk.pending || Object.values(known.cameras).some((camera) => camera.seconds_to_settled !== null);
  if (line.alive && (counting || ++ticks % STILL_TICKS === 0)) changed();
}, TICK_MS);
changed();
