/**
 * How things look on the stage. Every line has a casing, so that it shows on any wood, paled or not, light or dark;
 * nothing is told by colour alone.
 */

import { cased, DARK, dot, EDGE, PALE, plate } from "./looks.js";
import { noteMarks, plateHalf } from "./notes.js";

const { Fill, RegularShape, Stroke, Style, Text } = ol.style;
const { LineString, MultiLineString, MultiPoint, MultiPolygon, Point, Polygon } = ol.geom;

const feature = (geometry, style) => {
  const made = new ol.Feature(geometry);
  if (style) made.setStyle(style);
  return made;
};

export const STYLES = {
  outline: cased(EDGE, 3),
  invented: cased("#ffffff", 3, { dash: [10, 8] }),
  band: new Style({
    fill: new Fill({ color: "rgba(255, 105, 195, 0.6)" }),
    stroke: new Stroke({ color: PALE, width: 1 }),
  }),
  joint: [dot(8, PALE)],
  sharp: [
    new Style({
      image: new RegularShape({
        points: 4,
        radius: 11,
        angle: Math.PI / 4,
        fill: new Fill({ color: PALE }),
        stroke: new Stroke({ color: DARK, width: 3 }),
      }),
      zIndex: 8,
    }),
  ],
  held: [dot(13, EDGE, DARK, 4)],
  pick: [dot(9, "#ff5cbe", PALE, 3)],
  stroke: cased("#ff9be0", 4),
  ruler: cased("#ffffff", 2.5, { dash: [6, 6] }),
};

/** Closed loops as one geometry. */
export const loopsOf = (loops) => new MultiPolygon(loops.map((loop) => [loop]));

/** The edge as features: {edge, invented}. */
export function edgeMarks() {
  return {
    edge: feature(loopsOf([]), STYLES.outline),
    invented: feature(new MultiLineString([]), STYLES.invented),
  };
}

/** Bands where the true edge lies. */
export const bandMarks = (bands) => (bands.length ? [feature(loopsOf(bands), STYLES.band)] : []);

/** A joint, with `joint` in it. */
export function jointMark(joint) {
  const mark = feature(new Point(joint.at), joint.sharp ? STYLES.sharp : STYLES.joint);
  mark.set("joint", joint);
  return mark;
}

/** Sheets' rings, names and grid points. */
export function sheetMarks(sheets) {
  return sheets.flatMap(({ name, ring, points }) => [
    feature(new Polygon([ring]), cased("#7fe3ff", 2.5)),
    feature(new MultiPoint(points), dot(3, "#7fe3ff", DARK, 1.5)),
    feature(new Point(middle(ring)), plate(name)),
  ]);
}

/** A place that was touched. */
export const pickMark = (at, words) => [
  feature(new Point(at), STYLES.pick),
  ...(words ? [feature(new Point(at), plate(words, { offsetY: -28 }))] : []),
];

/** A line being drawn. */
export const strokeMark = (path, style = STYLES.stroke) => feature(new LineString(path), style);

const GRAIN = "grain";

/** The grain arrow, from its first end to its second. */
export function arrowMarks(arrow) {
  if (!arrow) return [];
  return [
    feature(new LineString(arrow), cased("#ffffff", 5)),
    feature(new Point(arrow[1]), head(arrow[0], arrow[1], 15, "#ffffff", DARK)),
    feature(new Point(arrow[0]), plate(GRAIN)),
  ];
}

const SIGN_PX = 17; // from a warning sign's middle to its tips
const ASIDES = [ // px from a place
  [0, -20],
  [0, 20],
  [26, 0],
  [-26, 0],
];
const RUN_PLACES = [0.25, 0.4, 0.6, 0.75, 0.12, 0.88]; // for its number: shares of a run, away from its arrow heads

/** All that a plan draws; its words leave the grain arrow's alone. */
export function planMarks(plan, arrow) {
  const fixed = plan.tips.map(({ at }) => ({ at, half: [SIGN_PX, SIGN_PX] }));
  if (arrow) fixed.push({ at: arrow[0], half: plateHalf(GRAIN) });
  return [
    ...plan.saw.map((ring) => feature(new Polygon([ring]), cased("#c9f2a5", 2, { dash: [3, 7] }))),
    ...plan.drills.map((ring) => feature(new Polygon([ring]), cased("#c9f2a5", 2))),
    ...plan.reliefs.map((line) => feature(new LineString(line), cased("#c9f2a5", 2, { dash: [8, 5] }))),
    ...plan.runs.flatMap(runMarks),
    ...plan.tips.flatMap(({ fibre, at }) => [
      feature(new LineString(fibre), cased("#ffb454", 2.5, { dash: [5, 5] })),
      feature(new Point(at), warningSign()),
    ]),
    ...noteMarks([...plan.runs.map(runNote), ...plan.left.map(leftNote)], fixed),
  ];
}

/** A run's number, on the run. */
const runNote = ({ order, path }) => {
  const line = new LineString(path);
  return { words: order, places: RUN_PLACES.map((share) => line.getCoordinateAt(share)) };
};

/** The name of a place where the cutters leave something, beside it. */
const leftNote = ({ name, at }) => ({ words: name, places: [at], asides: ASIDES, look: { ink: DARK, ground: PALE } });

function runMarks({ feed, path }) {
  const climb = feed === "climb";
  const color = climb ? "#9c2a00" : "#0d2b4f";
  const line = feature(
    new LineString(path),
    cased(color, climb ? 4 : 5, { dash: climb ? [12, 8] : undefined, casing: PALE, z: 1 }),
  );
  const geometry = line.getGeometry();
  const heads = [0.5, 0.98].map((t) => {
    const [a, b] = [geometry.getCoordinateAt(t - 0.02), geometry.getCoordinateAt(t)];
    return feature(new Point(b), climb ? head(a, b, 12, PALE, color) : head(a, b, 12, color, PALE));
  });
  return [line, ...heads];
}

/** Master, magnified bands and numbered stretches. */
export function comparisonMarks({ master, bands, stretches }) {
  return [
    ...bands.map(({ side, ring }) => feature(new Polygon([ring]), BAND_STYLES[side])),
    feature(loopsOf(master), cased("#ffffff", 2.5)),
    ...noteMarks(stretches.map(({ number, at }) => ({ words: number, places: [at] }))),
  ];
}

const BAND_STYLES = {
  on: new Style({
    fill: new Fill({ color: "rgba(255, 140, 40, 0.75)" }),
    stroke: new Stroke({ color: DARK, width: 2 }),
  }),
  off: new Style({
    fill: new Fill({ color: "rgba(120, 120, 255, 0.7)" }),
    stroke: new Stroke({ color: PALE, width: 2, lineDash: [4, 4] }),
  }),
  within: new Style({
    fill: new Fill({ color: "rgba(225, 235, 225, 0.75)" }),
    stroke: new Stroke({ color: "rgba(16, 24, 28, 0.8)", width: 1 }),
  }),
};

/** What a part was rebuilt of: thin, several pieces numbered. */
export function beforeMarks(before) {
  return before.flatMap(({ loops, number, at }) => [
    feature(loopsOf(loops), cased("#ffffff", 1.5)),
    ...(number ? [feature(new Point(at), plate(number))] : []),
  ]);
}

/** An axis of symmetry. */
export const axisMarks = (line) => [
  feature(new LineString(line), cased("#7fe3ff", 2.5, { dash: [18, 6, 3, 6] })),
  feature(new Point(line[line.length - 1]), plate("axis")),
];

/** The box round a part, with its width below and its height, within, at its left. */
export function boxMarks({ sides, width, height }) {
  const within = (side) => side[Math.floor(side.length / 2)];
  const [[x0, y0], [x1, y1]] = [within(sides[3]), within(sides[1])];
  return [
    ...sides.map((side) => feature(new LineString(side), cased("#7fe3ff", 2, { dash: [10, 6] }))),
    feature(new Point(within(sides[0])), plate(width)),
    feature(new Point([x0 + (x1 - x0) / 5, y0 + (y1 - y0) / 5]), plate(height)),
  ];
}

/** The paper's sheets over the part. */
export function pageMarks(rings) {
  return rings.flatMap((ring, i) => [
    feature(new Polygon([ring]), cased("#7fe3ff", 2, { dash: [10, 6] })),
    feature(new Point(middle(ring)), plate(i + 1)),
  ]);
}

function head(a, b, radius, fill, casing) {
  return new Style({
    image: new RegularShape({
      points: 3,
      radius,
      rotation: Math.PI / 2 - Math.atan2(b[1] - a[1], b[0] - a[0]),
      fill: new Fill({ color: fill }),
      stroke: new Stroke({ color: casing, width: 3 }),
    }),
    zIndex: 5,
  });
}

function warningSign() {
  return [
    new Style({
      image: new RegularShape({
        points: 3,
        radius: SIGN_PX,
        fill: new Fill({ color: "#ffd23f" }),
        stroke: new Stroke({ color: DARK, width: 3 }),
      }),
      zIndex: 7,
    }),
    new Style({
      text: new Text({
        text: "!",
        font: "800 18px system-ui, sans-serif",
        offsetY: 1,
        fill: new Fill({ color: DARK }),
      }),
      zIndex: 7,
    }),
  ];
}

function middle(points) {
  const box = ol.extent.boundingExtent(points);
  return ol.extent.getCenter(box);
}
