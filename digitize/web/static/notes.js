/** Words on the stage that give way to each other: none lies over another, however far the view is. */

import { cased, DARK, FONT, PALE, plate } from "./looks.js";

const { LineString, MultiPoint, Point } = ol.geom;
const { Style } = ol.style;

const HALF_HEIGHT = 15; // px, of a plate
const MARGIN = 9; // px, beside its words
const LEADS = [44, 70]; // px that a plate is led out by, where its places are taken
const WAYS = [2, 1, 3, 0, 4, 7, 5, 6] // eighths of a turn from the right, turning left
  .map((eighth) => (eighth * Math.PI) / 4)
  .map((turn) => [Math.cos(turn), Math.sin(turn)]);

const pen = document.createElement("canvas").getContext("2d");

/** Half the width and height of the plate that words stand on, px. */
export function plateHalf(words) {
  pen.font = FONT;
  return [pen.measureText(String(words)).width / 2 + MARGIN, HALF_HEIGHT];
}

/**
 * @typedef {object} Note
 * @property {string|number} words
 * @property {number[][]} places on the stage that they belong to, the best first
 * @property {number[][]} [asides] px from a place, x right and y up, where they may stand; at the place itself if none
 * @property {object} [look] as `plate` takes it
 */

/**
 * Where the notes find room: the first at their best place, each other at its first that is free, else led out.
 * @param {Note[]} notes the more important ones first
 * @param {{at: number[], half: number[]}[]} fixed what stays where it is: a place, and half its width and height, px
 * @param {number} resolution stage units for each px
 * @returns {({middle: number[], half: number[], from: number[]|null}|null)[]} px; null where there is no room
 */
export function settled(notes, fixed, resolution) {
  const px = ([x, y]) => [x / resolution, y / resolution];
  const taken = fixed.map(({ at, half }) => ({ middle: px(at), half }));
  const over = (a, b) => [0, 1].every((k) => Math.abs(a.middle[k] - b.middle[k]) < a.half[k] + b.half[k]);
  const free = (one) => !taken.some((other) => over(one, other));
  return notes.map(({ words, places, asides = [[0, 0]] }) => {
    const half = plateHalf(words);
    const spots = places.map(px);
    const stand = ([x, y], [dx, dy], from) => ({ middle: [x + dx, y + dy], half, from });
    const tries = [
      ...spots.flatMap((spot) => asides.map((aside) => stand(spot, aside, null))),
      ...LEADS.flatMap((far) => spots.flatMap((spot) => WAYS.map(([c, s]) => stand(spot, [far * c, far * s], spot)))),
    ];
    const found = tries.find(free) ?? null;
    if (found) taken.push(found);
    return found;
  });
}

/** Notes as marks, settled anew for every scale of the view; those without room come when the view is nearer. */
export function noteMarks(notes, fixed = []) {
  let scale = 0;
  let found = [];
  return notes.map((note, i) => {
    const mark = new ol.Feature(new MultiPoint(note.places));
    mark.setStyle((_, resolution) => {
      if (resolution !== scale) [scale, found] = [resolution, settled(notes, fixed, resolution)];
      return found[i] ? styles(note, found[i], resolution) : [];
    });
    return mark;
  });
}

function styles({ words, look }, { middle, from }, resolution) {
  const onStage = ([x, y]) => [x * resolution, y * resolution];
  const shown = plate(words, look);
  shown.setGeometry(new Point(onStage(middle)));
  if (!from) return [shown];
  const lead = cased(look?.ground ?? DARK, 1.5, { casing: look?.ink ?? PALE, z: 6 });
  for (const style of lead) style.setGeometry(new LineString([from, middle].map(onStage)));
  return [...lead, shown];
}
