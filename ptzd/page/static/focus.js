// A press that brings a page back to the front is no order: whoever pressed may not have seen yet what the page shows.

const SEEN_MS = 300;

let had = document.hasFocus();
addEventListener("blur", () => (had = false));
addEventListener("focus", () => setTimeout(() => (had = true), SEEN_MS));

/** Whether the page was in front already when the press came. */
export function pageHadFocus() {
  return had;
}

addEventListener(
  "click",
  (event) => {
    const stops = event.target instanceof Element && event.target.closest(".stop");
    if (had || stops || event.detail === 0) return; // detail 0: by a key, which comes to a page in front alone
    event.stopPropagation();
    event.preventDefault();
  },
  true,
);
