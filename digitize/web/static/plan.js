/** Plan: the grain, the cutters, and how the edge is run. */

import { $, busy, calm, fillList, fillRows, make, say, sentence, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { planMarks } from "./marks.js";
import { post } from "./server.js";
import { strokeTool } from "./tools.js";

/** @param {import("./stage.js").Stage} stage */
export function planSection(stage) {
  let plan = null;
  let best = null; // the strongest direction, as the last plan found it

  const pencil = strokeTool(
    stage,
    "Draw the arrow along the grain: drag, or touch its two ends.",
    ([a, b]) => {
      setDrawing(false);
      grain({ a, b });
    },
    { straight: true },
  );

  function setDrawing(on) {
    $("grain-draw").setAttribute("aria-pressed", on);
    stage.take(on ? pencil : null);
  }

  async function grain(body) {
    calm();
    const { id } = desk.doc;
    try {
      desk.edited(id, await post(desk.url("/grain"), body));
      say(desk.doc.arrow ? "The grain arrow is drawn." : "No grain arrow.");
    } catch (error) {
      trouble(error);
    }
  }

  function settings() {
    const boxes = [...$("plan-cutters").querySelectorAll("input")];
    const chosen = boxes.filter((box) => box.checked).map((box) => box.value);
    return {
      machine: $("machine-hand").checked ? "hand" : "table",
      pattern_on: $("plan-on").value,
      flipped: $("plan-flipped").checked,
      stock: $("plan-stock").value.trim(),
      allowance: $("plan-allowance").value.trim(),
      blade: $("plan-blade").value.trim(),
      plunge: $("plan-plunge").value.trim(),
      cutters: chosen.length === boxes.length ? null : chosen,
    };
  }

  function show(next) {
    plan = next;
    stage.put("plan", plan ? planMarks(plan, desk.doc.arrow) : []);
    $("plan-stale").hidden = true;
    $("plan-result").hidden = !plan;
    fillList($("plan-cautions"), (plan?.cautions ?? []).map(sentence));
    if (!plan) return;
    best = plan.best_grain;
    showGrain();
    fillRows($("plan-rows"), plan.rows);
    showLinks();
  }

  function showLinks() {
    if (!plan) return;
    $("plan-pdf").href = desk.url(`/plan.pdf?paper=${encodeURIComponent($("plan-paper").value)}`);
    $("plan-png").href = desk.url("/plan.png");
  }

  function showGrain() {
    const { grain_seen: seen, grain_deg: deg } = desk.doc ?? {};
    $("grain-photo").hidden = !seen;
    $("grain-best").hidden = !best;
    $("grain-words").textContent = [seen?.words, best?.words].filter(Boolean).map(sentence).join(" ");
    $("grain-deg").value = deg == null ? "" : String(Number(deg.toFixed(1)));
    $("grain-none").disabled = !desk.doc?.arrow;
  }

  $("grain-draw").addEventListener("click", (e) => setDrawing(e.currentTarget.getAttribute("aria-pressed") !== "true"));
  $("grain-photo").addEventListener("click", () => grain({ deg: desk.doc.grain_seen.deg }));
  $("grain-best").addEventListener("click", () => grain({ deg: best.deg }));
  $("grain-none").addEventListener("click", () => grain({ deg: null }));
  const setDegrees = () => {
    const words = $("grain-deg")
      .value.replace(",", ".")
      .replace(/\s*(deg|°)$/, "")
      .trim();
    const deg = Number(words);
    if (words && Number.isFinite(deg)) grain({ deg });
    else trouble({ problem: `“${$("grain-deg").value}” is no number of degrees`, remedy: "type it like 30" });
  };
  $("grain-set").addEventListener("click", setDegrees);
  $("grain-deg").addEventListener("keydown", (e) => {
    if (e.key !== "Enter") return;
    e.preventDefault();
    setDegrees();
  });
  $("plan-form").addEventListener("submit", (e) => {
    e.preventDefault();
    busy($("plan-go"), async () => {
      const { id } = desk.doc;
      say("Planning.");
      const next = await post(desk.url("/plan"), settings());
      if (desk.doc?.id !== id) return;
      show(next);
      say(`Planned: ${next.runs.length === 1 ? "one run" : `${next.runs.length} runs`}. Read the cautions first.`);
      $("panel").scrollTop = 0;
    });
  });
  $("plan-paper").addEventListener("change", showLinks);

  return {
    needs: "traced",
    layers: () => ["edge", "plan", "arrow"],
    shop({ cutters }) {
      $("plan-cutters").replaceChildren(
        ...cutters.map(({ name, words }, i) =>
          make(
            "label",
            { className: "switch" },
            make("input", { type: "checkbox", id: `cutter-${i + 1}`, value: name, checked: true }),
            make("span", {}, `${name}: ${words}`),
          ),
        ),
      );
    },
    enter: showLinks,
    leave: () => setDrawing(false),
    doc(fresh) {
      if (fresh) {
        best = null;
        show(null);
      }
      showGrain();
    },
    outline() {
      showGrain();
      const had = Boolean(plan);
      show(null); // the server forgets it too
      $("plan-stale").hidden = !had;
    },
  };
}
