// The view of the cue list.

import { html } from "./vendor/preact-htm.js";

export function Cues() {
  return html`<main class="cues"></main>`;
}
