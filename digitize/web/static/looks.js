/** What marks on the stage are drawn with: lines in their casing, words on plates, dots. */

const { Circle, Fill, Stroke, Style, Text } = ol.style;

export const DARK = "#101519";
export const PALE = "#fffdf4";
export const EDGE = "#ffe45c";
export const FONT = "600 16px system-ui, sans-serif";

/** A line in its casing. */
export function cased(color, width, { dash, casing = DARK, fill, z = 0 } = {}) {
  const round = { lineCap: dash ? "butt" : "round", lineJoin: "round" };
  return [
    new Style({ stroke: new Stroke({ color: casing, width: width + 4, ...round }), zIndex: z }),
    new Style({
      stroke: new Stroke({ color, width, lineDash: dash, ...round }),
      fill: fill && new Fill({ color: fill }),
      zIndex: z,
    }),
  ];
}

/** Words on a plate of their own. */
export function plate(words, { offsetY = 0, z = 9, ink = PALE, ground = DARK } = {}) {
  return new Style({
    text: new Text({
      text: String(words),
      font: FONT,
      offsetY,
      padding: [4, 6, 3, 7],
      overflow: true,
      fill: new Fill({ color: ink }),
      backgroundFill: new Fill({ color: ground }),
      backgroundStroke: new Stroke({ color: ink, width: 1.5 }),
    }),
    zIndex: z,
  });
}

export const dot = (radius, color, casing = DARK, width = 3) =>
  new Style({
    image: new Circle({ radius, fill: new Fill({ color }), stroke: new Stroke({ color: casing, width }) }),
    zIndex: 8,
  });
