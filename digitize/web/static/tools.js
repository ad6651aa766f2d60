/** Tools for the stage. Each is a Tool as stage.js describes it; what is done with it goes to the function given. */

import { desk } from "./desk.js";
import { pickMark, strokeMark, STYLES } from "./marks.js";
import { hold } from "./stage.js";

const STILL_MS = 500; // a nudged corner is set down when the keys have rested this long

/**
 * Drags or nudges a corner.
 * @param {import("./stage.js").Stage} stage
 * @param {(joint: object, to: number[], trial: boolean) => void} move
 * @param {(joint: object|null) => void} held told which corner is in hand
 */
export function moveTool(stage, move, held) {
  let mark = null;
  let offset = null; // from the finger to the corner, kept, so that the finger need not hide it
  let to = null;
  let timer = 0;
  const shift = (place) => {
    to = place;
    mark.getGeometry().setCoordinates(place);
    move(mark.get("joint"), place, true);
  };
  const setDown = () => {
    clearTimeout(timer);
    timer = 0;
    if (mark && to) move(mark.get("joint"), to, false);
    to = null;
  };
  const pickUp = (next) => {
    if (timer) setDown();
    if (mark) hold(mark, false);
    mark = next;
    if (mark) hold(mark, true);
    held(mark?.get("joint") ?? null);
  };
  return {
    hint: "Drag a corner to where it belongs.",
    grab(at, reach) {
      const near = stage.jointNear(at, reach);
      if (!near) return false;
      pickUp(near);
      const place = near.getGeometry().getCoordinates();
      offset = [place[0] - at[0], place[1] - at[1]];
      return true;
    },
    drag: (at) => offset && shift([at[0] + offset[0], at[1] + offset[1]]),
    drop() {
      offset = null;
      setDown();
    },
    abandon() {
      if (!offset) return;
      offset = null;
      if (to) shift(mark.get("joint").at); // back to where it was; nothing to remember
      to = null;
    },
    nudge(dx, dy) {
      if (!mark) return false;
      const [x, y] = to ?? mark.getGeometry().getCoordinates();
      shift([x + dx, y + dy]);
      clearTimeout(timer);
      timer = setTimeout(setDown, STILL_MS);
      return true;
    },
    leave: () => pickUp(null),
    /** Takes up the corner with these numbers. */
    choose(loop, index) {
      const next =
        stage.joints.find((one) => one.get("joint").loop === loop && one.get("joint").index === index) ?? null;
      if (next !== mark) pickUp(next);
      return next?.get("joint");
    },
    /** After a new outline: takes up the same corner among the new marks, where the finger has it by now. */
    renew() {
      if (!mark) return;
      const { loop, index } = mark.get("joint");
      mark = stage.joints.find((one) => one.get("joint").loop === loop && one.get("joint").index === index) ?? null;
      if (!mark) pickUp(null);
      else hold(mark, true);
      if (mark && to) mark.getGeometry().setCoordinates(to);
    },
  };
}

/** Ctrl+Z undoes and with Shift does again while a section is open, unless somebody is typing. */
export function undoKeys(section, step) {
  document.addEventListener("keydown", (e) => {
    const typing = e.target.closest("input:not([type=radio], [type=checkbox]), textarea, select");
    const meant = (e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "z" && document.body.dataset.section === section;
    if (!meant || typing || !desk.doc?.outline) return;
    e.preventDefault();
    if (e.shiftKey ? desk.doc.can_redo : desk.doc.can_undo) step(e.shiftKey ? "redo" : "undo");
  });
}

/** One touch, one thing done. */
export const touchTool = (hint, onTouch) => ({ hint, touch: onTouch });

/**
 * Two places touched, one after the other.
 * @param {import("./stage.js").Stage} stage
 * @param {string[]} hints before the first and before the second
 * @param {(a: number[], b: number[]) => void} onBoth
 * @param {{edge?: boolean}} [options] edge: the places must be on the edge; else they are taken there if they are near
 */
export function twoPlaces(stage, hints, onBoth, { edge = false } = {}) {
  let first = null;
  const reset = () => {
    first = null;
    stage.put("picks", []);
  };
  return {
    hint: hints[0],
    touch(touched, reach) {
      const at = stage.onEdge(touched, reach) ?? (edge ? null : touched);
      if (!at) stage.hint("The edge is not there: touch nearer to it.");
      else if (!first) {
        first = at;
        stage.put("picks", pickMark(at, "1"));
        stage.hint(hints[1]);
      } else {
        const from = first;
        first = null;
        stage.put("picks", [
          ...(edge ? [] : [strokeMark([from, at], STYLES.ruler)]),
          ...pickMark(from, "1"),
          ...pickMark(at, "2"),
        ]);
        stage.hint(hints[0]);
        onBoth(from, at);
      }
    },
    leave: reset,
  };
}

/**
 * A stroke drawn with the finger, or from place to place by touches or keys.
 * @param {import("./stage.js").Stage} stage
 * @param {string} hint
 * @param {(path: number[][]) => void} onPath
 * @param {{straight?: boolean}} [options] straight: only its two ends count; else the last place is touched twice
 */
export function strokeTool(stage, hint, onPath, { straight = false } = {}) {
  let path = null; // of a finger that is down
  let near = 0; // what is no farther away is the same place
  let places = []; // touched so far
  const away = ([x, y], at) => Math.hypot(at[0] - x, at[1] - y);
  const show = () =>
    stage.put("picks", [
      ...((path ?? places).length > 1 ? [strokeMark(path ?? places)] : []),
      ...places.flatMap((at) => pickMark(at)),
    ]);
  const clear = () => {
    path = null;
    places = [];
    show();
  };
  const finish = (points) => {
    path = null;
    places = [];
    onPath(points);
  };
  function touch(at, reach) {
    near = reach / 2;
    const again = !straight && places.length > 0 && away(places[places.length - 1], at) <= near;
    if (!again) places.push(at);
    if (places.length > 1 && (straight || again)) return finish(straight ? places : filled(places, near / 4));
    show();
    const enough = places.length > 1 ? ", or the last one again" : "";
    if (!straight) stage.hint(`Touch the next place along the edge${enough}.`);
  }
  return {
    hint,
    grab(at, reach) {
      path = [at];
      near = reach / 2;
      return true;
    },
    drag(at) {
      if (!path) return;
      if (straight) path = [path[0], at];
      else if (away(path[path.length - 1], at) >= near / 4) path.push(at);
      show();
    },
    drop() {
      const done = path;
      path = null;
      if (!done || done.length < 2) return;
      if (done.some((at) => away(done[0], at) > near)) finish(done);
      else touch(done[0], 2 * near); // a finger that was not quite still
    },
    abandon() {
      path = null;
      show();
    },
    touch,
    leave: clear,
  };
}

/** The path from place to place, with points no farther apart than `step`. */
function filled(places, step) {
  const path = [places[0]];
  for (const [i, to] of places.slice(1).entries()) {
    const [x, y] = places[i];
    const count = Math.ceil(Math.hypot(to[0] - x, to[1] - y) / step);
    for (let k = 1; k <= count; k++) path.push([x + ((to[0] - x) * k) / count, y + ((to[1] - y) * k) / count]);
  }
  return path;
}
