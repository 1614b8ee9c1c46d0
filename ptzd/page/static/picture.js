// What a camera sees, a few times a second: the next picture is asked for when the one before has come.

import { html, useEffect, useRef, useState } from "./vendor/preact-htm.js";

const EVERY_MS = 100;
const AFTER_FAILURE_MS = 2000;

/**
 * @param {{camera: string, live: boolean, onKind?: (kind: string) => void}} properties `live` is false while there is no
 *   connection: then no picture is shown, since it would be an old one; `onKind` is told the media type
 */
export function Picture({ camera, live, onKind }) {
  const image = /** @type {{current: HTMLImageElement|null}} */ (useRef(null));
  const [there, setThere] = useState(false);
  useEffect(() => {
    let over = false;
    let shown = "";
    async function look() {
      while (!over) {
        const askedAt = performance.now();
        let pause = AFTER_FAILURE_MS;
        try {
          const answer = await fetch(`/picture/${camera}`);
          if (answer.status === 200 && !over && image.current) {
            const old = shown;
            shown = URL.createObjectURL(await answer.blob());
            image.current.src = shown;
            if (old) URL.revokeObjectURL(old);
            onKind?.(answer.headers.get("Content-Type") ?? "");
            pause = answer.headers.get("Content-Type")?.includes("svg") ? 1000 : askedAt + EVERY_MS - performance.now();
          }
          setThere(answer.status === 200);
        } catch {
          setThere(false);
        }
        while (document.hidden && !over) await sleep(EVERY_MS);
        await sleep(Math.max(0, pause));
      }
    }
    if (live) void look();
    else setThere(false);
    return () => {
      over = true;
      if (shown) URL.revokeObjectURL(shown);
    };
  }, [camera, live]);
  return html`<div class="picture">
    <img ref=${image} hidden=${!there} alt=${`What ${camera} sees`} draggable=${false} />
    ${there ? null : html`<p class="none">${live ? "no picture" : "not connected: no picture"}</p>`}
  </div>`;
}

/** @param {number} ms @returns {Promise<void>} */
function sleep(ms) {
  return new Promise((resolve) => setTimeout(resolve, ms));
}

/**
 * A picture that was kept with a position.
 * @param {{camera: string, position: import("./known.js").Position}} properties
 */
export function Still({ camera, position }) {
  const [there, setThere] = useState(true);
  const source = `/still/${camera}/${position.name}?of=${position.still}`;
  useEffect(() => setThere(true), [source]);
  return there && position.still !== null
    ? html`<img class="still" src=${source} alt="" loading="lazy" draggable=${false} onError=${() => setThere(false)} />`
    : html`<span class="still none">no still</span>`;
}
