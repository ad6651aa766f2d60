/** Outline: judged over the photo and mended by hand; every change is asked of the server. */

import { $, calm, fillChoice, fillList, fillRows, say, sentence, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { oneAtATime, post } from "./server.js";
import { moveTool, strokeTool, touchTool, twoPlaces, undoKeys } from "./tools.js";

const STEP_MM = 0.1;

/** @param {import("./stage.js").Stage} stage */
export function outlineSection(stage) {
  const ask = oneAtATime(
    ({ id, body }) => post(`/api/desk/${encodeURIComponent(id)}/edit`, body),
    (reply, { id, trial }) => (trial ? showTrial(id, reply) : finish(id, reply)),
    (error, { id, trial }) => (trial ? stage.hint(sentence(error.message)) : refuse(id, error)),
  );

  /** Asks for one change; a trial is not remembered. */
  function edit(body, trial = false) {
    if (!trial) calm();
    return ask({ id: desk.doc.id, trial, passing: trial || body.do === "thickness", body: { ...body, trial } });
  }

  function showTrial(id, reply) {
    if (desk.doc?.id !== id) return;
    if (reply.refused) {
      stage.hint(sentence(reply.refused.problem));
      return;
    }
    stage.outline(reply.outline, true);
    remind();
  }

  function finish(id, reply) {
    desk.edited(id, reply);
    say(reply.steps.length ? `Now: ${sentence(reply.steps[reply.steps.length - 1])}` : "As it was traced.");
    stage.put("picks", []);
    remind();
  }

  /** What the tool in hand is for, over the stage again. */
  function remind() {
    if (current()) stage.hint(tools[chosen()]?.hint ?? "");
  }

  function refuse(id, error) {
    desk.edited(id, {}); // draws what is remembered
    stage.put("picks", []);
    remind();
    trouble(error);
  }

  const mover = moveTool(
    stage,
    (joint, to, trial) => edit({ do: "move", loop: joint.loop, index: joint.index, to }, trial),
    (joint) => ($("corner").value = joint ? `${joint.loop}/${joint.index}` : ""),
  );
  const edge = { edge: true };
  const tools = {
    look: null,
    move: mover,
    add: touchTool("Touch the edge where a corner belongs.", (at, reach) => {
      const near = stage.onEdge(at, reach);
      if (near) edit({ do: "add", near });
      else stage.hint("The edge is not there: touch nearer to it.");
    }),
    remove: touchTool("Touch the corner to take out.", (at, reach) => {
      const joint = stage.jointNear(at, reach)?.get("joint");
      if (joint) edit({ do: "remove", loop: joint.loop, index: joint.index });
      else stage.hint("No corner there: touch one of the marked corners.");
    }),
    straighten: twoPlaces(
      stage,
      ["Touch the edge where the straight begins.", "And where it ends."],
      (start, end) => edit({ do: "straighten", start, end, kind: $("straighten-arc").checked ? "arc" : "line" }),
      edge,
    ),
    redraw: strokeTool(stage, "Draw along the true edge; the nearest edge in the photo is then followed.", (path) => {
      say("Following the edge in the photo.");
      edit({ do: "redraw", path });
    }),
    heal: twoPlaces(
      stage,
      ["Touch the edge before the damage.", "And after it."],
      (start, end) => edit({ do: "heal", start, end }),
      edge,
    ),
    ruler: twoPlaces(stage, ["Touch where to measure from.", "And to."], measure),
  };

  const chosen = () => document.querySelector("input[name=tool]:checked").value;
  const current = () => document.body.dataset.section === "outline";

  function choose() {
    const name = chosen();
    stage.take(tools[name]);
    $("straighten-kind").hidden = name !== "straighten";
    $("nudge").hidden = name !== "move";
    $("redraw-help").hidden = name !== "redraw";
    if (name !== "ruler") $("ruler-words").hidden = true;
  }

  async function measure(a, b) {
    try {
      $("ruler-words").textContent = (await post(desk.url("/ruler"), { a, b })).words;
      $("ruler-words").hidden = false;
    } catch (error) {
      trouble(error);
    }
  }

  function showAll() {
    const { doc } = desk;
    if (!doc?.outline) return;
    $("outline-words").textContent = doc.outline.words;
    $("undo").disabled = !doc.can_undo;
    $("redo").disabled = !doc.can_redo;
    $("tool-redraw-label").hidden = doc.stage.kind !== "photo";
    if (document.activeElement !== $("outline-thickness"))
      $("outline-thickness").value = thicknessWords(doc.thickness_mm);
    $("band-row").hidden = !doc.outline.bands.length;
    $("invented-words").hidden = !doc.outline.invented.length;
    fillRows($("outline-facts"), doc.facts);
    fillList($("outline-steps"), doc.steps.map(sentence), $("outline-steps-box"));
    const held = $("corner").value;
    fillChoice($("corner"), [
      ["", "choose one"],
      ...doc.outline.joints.map((joint) => [`${joint.loop}/${joint.index}`, jointWords(joint)]),
    ]);
    $("corner").value = held;
    mover.renew();
  }

  const jointWords = ({ loop, index, sharp }) =>
    `${sharp ? "Corner" : "Smooth joint"} ${index + 1}${loop ? ` of hole ${loop}` : ""}`;
  const thicknessWords = (mm) => (mm == null ? "" : `${Number(mm.toFixed(3))} mm`);

  let stepped = null; // the thickness that the buttons have reached, while the outline still follows
  async function step(by) {
    const now = stepped ?? desk.doc.thickness_mm;
    if (now == null) return;
    stepped = Math.max(STEP_MM, now + by);
    $("outline-thickness").value = thicknessWords(stepped);
    await edit({ do: "thickness", thickness: `${stepped.toFixed(3)}mm` });
    stepped = null;
  }

  for (const radio of document.querySelectorAll("input[name=tool]")) radio.addEventListener("change", choose);
  $("undo").addEventListener("click", () => edit({ do: "undo" }));
  $("redo").addEventListener("click", () => edit({ do: "redo" }));
  undoKeys("outline", (what) => edit({ do: what }));
  $("corner").addEventListener("change", (e) => {
    const joint = mover.choose(...e.target.value.split("/").map(Number));
    if (joint) stage.bring(joint.at);
  });
  for (const [side, dx, dy] of [
    ["left", -1, 0],
    ["right", 1, 0],
    ["up", 0, 1],
    ["down", 0, -1],
  ]) {
    $(`nudge-${side}`).addEventListener("click", (e) => {
      const far = (e.shiftKey ? 10 : 1) * stage.step;
      if (!mover.nudge(dx * far, dy * far)) stage.hint("First choose a corner.");
    });
  }
  $("thickness-less").addEventListener("click", () => step(-STEP_MM));
  $("thickness-more").addEventListener("click", () => step(STEP_MM));
  $("outline-thickness").addEventListener("change", (e) => {
    edit({ do: "thickness", thickness: e.target.value.trim() });
  });
  $("band").addEventListener("change", () => stage.reveal(section.layers()));

  const section = {
    needs: "traced",
    layers: () => ["edge", "joints", "arrow", "picks", ...($("band").checked ? ["band"] : [])],
    enter() {
      showAll();
      choose();
    },
    doc(fresh) {
      if (fresh) $("ruler-words").hidden = true;
      showAll();
      if (current()) choose();
    },
    outline: showAll,
  };
  return section;
}
