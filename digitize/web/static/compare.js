/** Compare: what lies on the desk against a master among the kept patterns. */

import { $, afterQuiet, busy, fillChoice, fillRows, say, sentence, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { comparisonMarks } from "./marks.js";
import { get, lastOnly, post } from "./server.js";

const SIGNS = { conforms: "✓", "does not conform": "✕", "not decided": "?" };

/** @param {import("./stage.js").Stage} stage */
export function compareSection(stage) {
  const ask = lastOnly(get);

  async function findMasters() {
    try {
      const found = await ask(`/api/patterns?words=${encodeURIComponent($("master-words").value.trim())}`);
      if (!found) return;
      const pairs = found.patterns.map(({ stem, name, size }) => [stem, size ? `${name}, ${size}` : name]);
      fillChoice($("master"), pairs.length ? pairs : [["", "none found"]]);
    } catch (error) {
      trouble(error);
    }
  }

  function show(comparison) {
    stage.put("comparison", comparison ? comparisonMarks(comparison) : []);
    $("compare-result").hidden = $("compare-more").hidden = !comparison;
    if (!comparison) return;
    const { verdict, words, rows, magnified, stretches } = comparison;
    $("verdict").textContent = verdict
      ? `${SIGNS[verdict] ?? ""} ${sentence(verdict).slice(0, -1)}`
      : "No zone given: no verdict";
    $("verdict").dataset.verdict = verdict ?? "";
    $("compare-words").textContent = sentence(words);
    $("compare-magnified").textContent = `Deviations are drawn ${magnified} times as large.`;
    fillRows(
      $("stretches"),
      stretches.map((one) => [String(one.number), one.words]),
    );
    fillRows($("compare-rows"), rows);
    for (const kind of ["pdf", "png", "csv"]) $(`compare-${kind}`).href = desk.url(`/comparison.${kind}`);
  }

  $("master-words").addEventListener("input", afterQuiet(200, findMasters));
  $("compare-form").addEventListener("submit", (e) => {
    e.preventDefault();
    busy($("compare-go"), async () => {
      const { id } = desk.doc;
      say("Comparing.");
      const comparison = await post(desk.url("/compare"), {
        master: $("master").value,
        zone: $("compare-zone").value.trim(),
        fit: $("fit-zone").checked ? "zone" : "squares",
        mirrored: $("compare-mirrored").checked,
        same_sheets: $("compare-same-sheets").checked,
      });
      if (desk.doc?.id !== id) return;
      show(comparison);
      say("");
      $("compare-result").scrollIntoView({ block: "nearest" });
    });
  });

  return {
    needs: "traced",
    layers: () => ["edge", "comparison"],
    enter: findMasters,
    doc: (fresh) => fresh && show(null),
    outline: () => show(null),
  };
}
