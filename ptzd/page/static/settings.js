// What one sets for this browser: kept there.

const KEPT = "ptzd-settings";

export const settings = {
  dead: 0.12, // share of a stick's way that counts for nothing
  curve: 2, // 1 is straight
  enable: 4, // the button of a gamepad that must be held: of the standard layout, the left one in front
  consent: 5, // the one that must be held as well for a camera on air: the right one in front
};

try {
  Object.assign(settings, JSON.parse(localStorage.getItem(KEPT) ?? "{}"));
} catch {
  // what was kept is of no use: the settings are as above
}

/**
 * @param {Partial<typeof settings>} changes
 */
export function set(changes) {
  Object.assign(settings, changes);
  localStorage.setItem(KEPT, JSON.stringify(settings));
}
