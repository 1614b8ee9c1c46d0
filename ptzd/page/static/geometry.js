// Where a part of the world lies in a picture, by the pinhole of ptzd/motion/aiming.py: pan to the right and tilt up are
// positive, and the head tilts inside of its pan.

const DEG = Math.PI / 180;

/**
 * @typedef {{pan_deg: number|null, tilt_deg: number|null, view_width_deg: number|null, view_height_deg: number|null}} View
 */

/**
 * The corners of one view inside the picture of another, as shares of that picture from its top left; null where either is
 * not known, or a corner lies behind.
 * @param {View} seen
 * @param {View} from
 * @returns {[number, number][]|null}
 */
export function corners(seen, from) {
  if (seen.pan_deg === null || seen.tilt_deg === null || seen.view_width_deg === null || seen.view_height_deg === null) return null;
  if (from.pan_deg === null || from.tilt_deg === null || from.view_width_deg === null || from.view_height_deg === null) return null;
  const wide = Math.tan((seen.view_width_deg / 2) * DEG);
  const high = Math.tan((seen.view_height_deg / 2) * DEG);
  const found = [];
  for (const [x, y] of [[-wide, high], [wide, high], [wide, -high], [-wide, -high]]) {
    const world = turned([x, y, 1], seen.tilt_deg, seen.pan_deg);
    const here = turnedBack(world, from.tilt_deg, from.pan_deg);
    if (here[2] <= 0.05) return null;
    found.push(/** @type {[number, number]} */ ([
      0.5 + here[0] / here[2] / (2 * Math.tan((from.view_width_deg / 2) * DEG)),
      0.5 - here[1] / here[2] / (2 * Math.tan((from.view_height_deg / 2) * DEG)),
    ]));
  }
  return found;
}

/** @param {number[]} v right, up, ahead @param {number} tilt @param {number} pan */
function turned([x, y, z], tilt, pan) {
  const [ct, st, cp, sp] = [Math.cos(tilt * DEG), Math.sin(tilt * DEG), Math.cos(pan * DEG), Math.sin(pan * DEG)];
  const up = y * ct + z * st;
  const ahead = z * ct - y * st;
  return [x * cp + ahead * sp, up, ahead * cp - x * sp];
}

/** @param {number[]} v @param {number} tilt @param {number} pan */
function turnedBack([x, y, z], tilt, pan) {
  const [ct, st, cp, sp] = [Math.cos(tilt * DEG), Math.sin(tilt * DEG), Math.cos(pan * DEG), Math.sin(pan * DEG)];
  const right = x * cp - z * sp;
  const ahead = x * sp + z * cp;
  return [right, y * ct - ahead * st, y * st + ahead * ct];
}
