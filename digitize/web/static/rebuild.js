/** Rebuild: symmetry, sizes, shrinkage and spots; a further state of the part, or a new pattern beside it. */

import { $, busy, fillChoice, fillList, say, sentence, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { axisMarks, beforeMarks, boxMarks, pickMark } from "./marks.js";
import { get, lastOnly, post } from "./server.js";
import { strokeTool, touchTool, twoPlaces, undoKeys } from "./tools.js";

const KINDS = ["mirror", "size", "hand", "shrinkage", "spots"];

/** @param {import("./stage.js").Stage} stage @param {(name: string, rest?: string) => void} go */
export function rebuildSection(stage, go) {
  const look = lastOnly(get);
  let offered = null; // the axis that is found, and the box, of the outline as it is
  let axis = null; // drawn: its two places
  let keep = null; // a place in the good half
  let between = null; // two places that a length is between
  let chosen = false; // mean or half: by hand, else by what is found

  const current = () => document.body.dataset.section === "rebuild";
  const kind = () => document.querySelector("input[name=rebuild]:checked").value;
  const half = () => kind() === "mirror" && $("mirror-half").checked;
  const byPlaces = () => kind() === "size" && $("size-by").value === "between";

  const tools = {
    "mirror-draw": twoPlaces(stage, ["Touch the axis in one place.", "And in another, far from it."], (a, b) => {
      [axis, keep] = [[a, b], null];
      take("mirror-keep");
    }),
    "mirror-keep": touchTool("Touch the half that is good.", (at) => {
      keep = at;
      take(null);
    }),
    "size-places": twoPlaces(stage, ["Touch where the length begins.", "And where it ends."], async (a, b) => {
      between = [a, b];
      take(null);
      try {
        const { words } = await post(desk.url("/ruler"), { a, b });
        if (between?.[0] === a) $("size-words").textContent = `Now ${words}.`;
      } catch (error) {
        trouble(error);
      }
    }),
    "shrinkage-grain": strokeTool(
      stage,
      "Draw the arrow along the grain: drag, or touch its two ends.",
      async ([a, b]) => {
        take(null);
        const { id } = desk.doc;
        try {
          desk.edited(id, await post(desk.url("/grain"), { a, b }));
        } catch (error) {
          trouble(error);
        }
      },
      { straight: true },
    ),
  };

  /** The tool of a button in hand, or none. */
  function take(name) {
    for (const id of Object.keys(tools)) $(id).setAttribute("aria-pressed", id === name);
    stage.take(name ? tools[name] : null);
    show();
  }

  /** Nothing drawn or touched yet. */
  function forget() {
    axis = keep = between = null;
    chosen = false;
    if (current()) take(null);
  }

  /** What the form in view needs, on the stage and beside it. */
  function show() {
    const now = kind();
    for (const one of KINDS) $(`${one}-form`).hidden = one !== now;
    $("mirror-axis-box").hidden = !half();
    $("size-places-box").hidden = !byPlaces();
    $("size-alone-row").hidden = byPlaces();
    $("size-alone-words").textContent = `Only this way: the ${$("size-by").value === "width" ? "height" : "width"} stays`;
    $("shrinkage-percent-row").hidden = $("shrinkage-species").value !== "";
    showAxis();
    if (!current()) return;
    const line = axis ?? offered?.axis;
    stage.put("aid", [
      ...(now === "mirror" && line ? axisMarks(line) : []),
      ...(now === "size" && !byPlaces() && offered ? boxMarks(offered.box) : []),
    ]);
    if (document.querySelector("#section-rebuild [aria-pressed=true]")) return;
    stage.put("picks", [
      ...(half() && keep ? pickMark(keep, "good half") : []),
      ...(byPlaces() && between ? between.flatMap((at, i) => pickMark(at, String(i + 1))) : []),
    ]);
  }

  function showAxis() {
    $("mirror-found").hidden = !axis;
    $("mirror-axis-words").textContent = axis ? "The axis was drawn." : offered ? sentence(offered.words) : "";
    const asked = axis || offered?.whole;
    $("mirror-keep").hidden = !asked;
    $("mirror-keep-words").textContent = !asked
      ? ""
      : keep
        ? "The half that was touched is kept."
        : "Then touch the half that is good.";
  }

  function showDoc() {
    const { doc } = desk;
    if (!doc?.outline) return;
    const { made, outline, warnings, grain_deg: grain } = doc;
    $("rebuild-words").textContent = outline.words;
    $("rebuild-undo").disabled = !doc.can_undo;
    $("rebuild-redo").disabled = !doc.can_redo;
    $("rebuild-result").hidden = !made;
    fillList($("rebuild-made"), (made?.words ?? []).map(sentence));
    $("rebuild-legend").hidden = !made?.before.length;
    $("rebuild-invented").hidden = !outline.invented.length;
    fillList($("rebuild-warnings"), warnings.map(sentence));
    stage.put("before", beforeMarks(made?.before ?? []));
    const drawn = grain == null ? "The grain is not known: draw it." : `The grain runs along ${Number(grain.toFixed(1))}°.`;
    $("shrinkage-grain-words").textContent = drawn;
  }

  async function lookAgain() {
    const { doc } = desk;
    offered = null;
    show();
    if (!doc?.traced) return;
    try {
      const found = await look(desk.url("/rebuild"));
      if (!found || desk.doc?.id !== doc.id) return;
      offered = found;
      if (!chosen) $(offered.axis && offered.whole ? "mirror-both" : "mirror-half").checked = true;
      show();
    } catch (error) {
      trouble(error);
    }
  }

  async function rebuild(body) {
    const { id } = desk.doc;
    say("Rebuilding.");
    const doc = await post(desk.url("/rebuild"), body);
    if (desk.doc?.id !== id) {
      await desk.list();
      return;
    }
    say(doc.id !== id ? "A new pattern lies on the desk." : doc.made.before.length ? "Rebuilt." : "");
    $("panel").scrollTop = 0;
    if (doc.id !== id) {
      desk.take(doc);
      go("rebuild", doc.id);
      return;
    }
    desk.take(doc, false);
    if (!doc.made.before.length) return; // nothing was to be done
    desk.edited(id, {}); // another outline: what was made of the former one goes
    stage.fitPart();
  }

  async function step(what) {
    const { id } = desk.doc;
    desk.edited(id, await post(desk.url("/edit"), { do: what }));
    say(what === "undo" ? "Undone." : "Done again.");
    stage.fitPart();
  }

  const bodies = {
    mirror: () => (half() ? { do: "half", axis, keep } : { do: "both" }),
    size: () => ({
      do: "size",
      by: $("size-by").value,
      between: byPlaces() ? between : null,
      length: $("size-length").value.trim(),
      alone: !byPlaces() && $("size-alone").checked,
    }),
    hand: () => ({ do: "hand" }),
    shrinkage: () => ({
      do: "shrinkage",
      species: $("shrinkage-species").value,
      percent: $("shrinkage-species").value ? "" : $("shrinkage-percent").value.trim(),
      rings: $("shrinkage-rings").value,
      then: $("shrinkage-then").value.trim(),
      now: $("shrinkage-now").value.trim(),
    }),
    spots: () => ({ do: "spots", spots: $("spots-size").value.trim() }),
  };
  for (const one of KINDS) {
    $(`${one}-form`).addEventListener("submit", (e) => {
      e.preventDefault();
      busy($(`${one}-go`), () => rebuild(bodies[one]()));
    });
    $(`rebuild-${one}`).addEventListener("change", () => take(null));
  }
  for (const id of Object.keys(tools)) {
    $(id).addEventListener("click", (e) => take(e.currentTarget.getAttribute("aria-pressed") === "true" ? null : id));
  }
  for (const id of ["mirror-both", "mirror-half", "size-by", "shrinkage-species"]) {
    $(id).addEventListener("change", () => {
      chosen ||= id.startsWith("mirror");
      take(null);
    });
  }
  $("mirror-found").addEventListener("click", forget);
  for (const what of ["undo", "redo"]) {
    $(`rebuild-${what}`).addEventListener("click", (e) => busy(e.currentTarget, () => step(what)));
  }
  undoKeys("rebuild", (what) => busy($(`rebuild-${what}`), () => step(what)));

  return {
    needs: "traced",
    layers: () => ["before", "edge", "aid", "arrow"],
    shop: ({ species }) =>
      fillChoice($("shrinkage-species"), [...species.map((one) => [one, one]), ["", "another, by its own percent"]]),
    enter() {
      forget();
      showDoc();
      lookAgain();
    },
    leave: forget,
    doc(fresh) {
      showDoc();
      if (!current()) return;
      if (fresh) forget();
      lookAgain();
    },
    outline() {
      showDoc();
      if (!current()) return;
      forget();
      lookAgain();
    },
  };
}
