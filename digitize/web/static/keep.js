/** Keep: a name and a place among the shop's patterns; files and paper to take along. */

import { $, busy, make, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { pageMarks } from "./marks.js";
import { lastOnly, post } from "./server.js";

const MARKS = ["name", "notes", "stock", "tags"];

/** @param {import("./stage.js").Stage} stage */
export function keepSection(stage) {
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
