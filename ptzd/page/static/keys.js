// The keyboard. The space bar stops all cameras, but in a field for words, which Escape leaves; it never does anything else.
// Letters and digits count outside of fields alone. A key that is held down is one deed, but for those that nudge.

import { back, go, hold, standBy } from "./bar.js";
import { choose, desk, recall, sayNo, sayYes, stopAll } from "./desk.js";
import { cameraNames, positionOf } from "./known.js";
import { nudgeByKey } from "./setup.js";

addEventListener("keydown", (event) => {
  if (event.key === "Escape" && inField(event.target)) /** @type {HTMLElement} */ (event.target).blur();
  // Browsers press a button anew at each repeat, and one that says Go or Back is another by then.
  if (event.key === "Enter" && event.repeat && !(event.target instanceof HTMLTextAreaElement)) event.preventDefault();
  if (event.key !== " " || takesWords(event.target)) return;
  stopAll();
  event.preventDefault();
  event.stopPropagation();
}, true);
addEventListener("keyup", (event) => {
  if (event.key === " " && !takesWords(event.target)) event.preventDefault(); // some browsers press a button only now
}, true);
addEventListener("keydown", (event) => {
  if (!desk.keys || event.ctrlKey || event.metaKey || event.altKey || inField(event.target)) return;
  if (taken(event)) event.preventDefault();
});

/** @param {KeyboardEvent} event */
function taken(event) {
  if (desk.view === "setup" && nudgeByKey(event.key, event.shiftKey)) return true;
  if (event.repeat) return false;
  const key = event.key.toLowerCase();
  if ((key === "y" || key === "n") && document.querySelector(".question")) key === "y" ? sayYes() : sayNo();
  else if (key === "g") go();
  else if (key === "s") standBy();
  else if (key === "b") back();
  else if (key === "h") hold();
  else if (desk.view === "show" && (key === "arrowleft" || key === "arrowright")) beside(key === "arrowleft" ? -1 : 1);
  else if (desk.view === "show" && key === "/") /** @type {HTMLInputElement|null} */ (document.querySelector(".typed input"))?.focus();
  else if ((desk.view === "show" || desk.view === "setup") && key >= "1" && key <= "9" && key.length === 1) return ofNumber(Number(key));
  else return false;
  return true;
}

/** @param {number} number */
function ofNumber(number) {
  const position = positionOf(desk.chosen, number);
  if (position) recall(desk.chosen, position.name);
  return Boolean(position);
}

/** @param {number} step */
function beside(step) {
  const names = cameraNames();
  choose(names[(names.indexOf(desk.chosen) + step + names.length) % names.length]);
}

/** @param {EventTarget|null} target */
function inField(target) {
  return target instanceof HTMLInputElement ? target.type !== "checkbox" : target instanceof HTMLSelectElement || target instanceof HTMLTextAreaElement;
}

/** @param {EventTarget|null} target whether a space may be written there: names and numbers have a pattern without one */
function takesWords(target) {
  return target instanceof HTMLTextAreaElement || (target instanceof HTMLInputElement && ["text", "password"].includes(target.type) && !target.pattern);
}
