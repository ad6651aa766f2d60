/** Keep: a name and a place among the shop's patterns; files and paper to take along. */

import { $, busy, make, say, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { pageMarks } from "./marks.js";
import { lastOnly, post } from "./server.js";

const MARKS = ["name", "notes", "stock", "tags"];
const EDGE = ["moved", "offset", "bush", "cutter"];

/** @param {import("./stage.js").Stage} stage @param {(name: string, rest?: string) => void} go */
export function keepSection(stage, go) {
  const askPages = lastOnly((paper) => post(desk.url("/pages"), { paper }));

  async function showPages() {
    const on = $("keep-map").checked && desk.doc?.traced;
    try {
      const pages = on ? await askPages($("keep-paper").value) : { words: "", sheets: [] };
      if (!pages) return;
      $("pages-words").textContent = pages.words;
      stage.put("pages", pageMarks(pages.sheets));
      if (pages.sheets.length) stage.fitLayer("pages");
    } catch (error) {
      trouble(error);
    }
  }

  function showLinks() {
    if (!desk.doc) return;
    $("keep-changed").hidden = !desk.doc.marks.stem || desk.doc.kept;
    $("save-pdf").href = desk.url(`/pattern.pdf?paper=${encodeURIComponent($("keep-paper").value)}`);
    $("save-dxf").href = desk.url(
      `/pattern.dxf?unit=${$("dxf-unit").value}${$("dxf-curves").value ? "&arcs=yes" : ""}`,
    );
    $("save-svg").href = desk.url("/pattern.svg");
    $("save-pattern").href = desk.url("/pattern.json");
    $("save-png").href = desk.url("/pattern.png");
  }

  function showMarks() {
    const marks = desk.doc?.marks ?? {};
    for (const mark of MARKS) $(`keep-${mark}`).value = marks[mark] ?? "";
    $("keep-replace").checked = false;
    $("kept").hidden = true;
  }

  async function keep() {
    const { id } = desk.doc;
    const marks = Object.fromEntries(MARKS.map((mark) => [mark, $(`keep-${mark}`).value.trim()]));
    const { stem, name, file } = await post(desk.url("/keep"), { ...marks, replace: $("keep-replace").checked });
    await desk.again(id);
    const link = make("a", { href: `#patterns/${encodeURIComponent(stem)}`, id: "kept-link" }, name);
    $("kept").replaceChildren("Kept as ", link, ` in ${file}.`);
    $("kept").hidden = false;
    $("kept").scrollIntoView({ block: "nearest" });
  }

  function showEdge() {
    const bush = $("edge-moved").value === "bush";
    $("edge-bush-box").hidden = !bush;
    $("edge-offset-row").hidden = bush;
    for (const id of ["edge-bush", "edge-cutter"]) $(id).disabled = !bush; // else they would be asked for
    $("edge-offset").disabled = bush;
  }

  async function moveEdge() {
    const told = Object.fromEntries(EDGE.map((key) => [key, $(`edge-${key}`).value.trim()]));
    const { id } = desk.doc;
    const doc = await post(desk.url("/rebuild"), { do: "edge", ...told });
    say("A new pattern lies on the desk.");
    if (desk.doc?.id !== id) {
      await desk.list();
      return;
    }
    desk.take(doc);
    go("keep", doc.id);
    stage.fitPart();
    $("panel").scrollTop = 0;
  }

  $("edge-moved").addEventListener("change", showEdge);
  $("edge-form").addEventListener("submit", (e) => {
    e.preventDefault();
    busy($("edge-go"), moveEdge);
  });
  $("keep-form").addEventListener("submit", (e) => {
    e.preventDefault();
    busy($("keep-go"), keep);
  });
  for (const id of ["keep-paper", "dxf-unit", "dxf-curves"]) $(id).addEventListener("change", showLinks);
  for (const id of ["keep-paper", "keep-map"]) $(id).addEventListener("change", showPages);

  return {
    needs: "traced",
    layers: () => ["edge", "arrow", "pages"],
    enter() {
      showLinks();
      showPages();
    },
    doc(fresh) {
      if (fresh) showMarks();
      showLinks();
    },
    outline() {
      $("kept").hidden = true;
      showLinks();
    },
  };
}
