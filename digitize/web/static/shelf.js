/** Patterns: the shop's shelf, searched by words, tags, size and shape; one pattern's record. */

import { $, afterQuiet, busy, fillList, fillRows, make, sentence, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { get, lastOnly, post } from "./server.js";

/** @param {(name: string, rest?: string) => void} go */
export function shelfSection(go) {
  const ask = lastOnly(get);
  let record = null;
  let wanted = null; // the record that was asked for last

  async function find() {
    const like = $("find-like").checked && desk.doc?.traced ? desk.doc.id : "";
    const query = new URLSearchParams({
      words: $("find-words").value.trim(),
      tags: $("find-tags").value.trim(),
      size: $("find-size").value.trim(),
      like,
    });
    try {
      const found = await ask(`/api/patterns?${query}`);
      if (found) show(found, query);
    } catch (error) {
      trouble(error);
    }
  }

  function show({ patterns, more, warnings }, query) {
    const asked = [...query.values()].some(Boolean);
    const count = patterns.length === 1 ? "One pattern" : `${patterns.length} patterns`;
    const none = asked
      ? "Nothing like that on the shelf."
      : `Nothing is kept yet in ${desk.shop?.folder ?? "the folder"}.`;
    $("shelf-words").textContent = patterns.length
      ? `${count}${more ? `, and ${more} more: ask for something narrower` : ""}.`
      : none;
    fillList($("shelf-warnings"), (warnings ?? []).map(sentence));
    $("shelf-list").replaceChildren(...patterns.map(card));
    markCard();
  }

  function card({ stem, name, size, thickness_mm: thick, stock, tags, preview, alike }) {
    const thickness = thick == null ? "" : `${Number(thick.toFixed(2))} mm thick`;
    const words = make("span", { className: "card-words" }, make("strong", {}, name));
    if (alike) words.append(make("em", {}, sentence(alike)));
    for (const line of [size, thickness, stock, tags.join(", ")]) if (line) words.append(make("span", {}, line));
    const picture = preview
      ? make("img", { src: preview, alt: "", loading: "lazy", decoding: "async" })
      : make("span", { className: "blank" });
    const link = make("a", { href: `#patterns/${encodeURIComponent(stem)}` }, picture, words);
    link.dataset.stem = stem;
    return make("li", {}, link);
  }

  /** Marks the card of the pattern whose record is shown. */
  function markCard() {
    for (const link of $("shelf-list").querySelectorAll("a")) {
      if (link.dataset.stem === record?.stem) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    }
  }

  /** No record is shown. */
  function unrecord() {
    document.body.classList.remove("recorded");
    $("record").hidden = true;
    markCard();
  }

  async function showRecord(stem) {
    let found = null;
    wanted = stem;
    record = null;
    unrecord();
    if (!stem) return;
    try {
      found = await get(`/api/patterns/${encodeURIComponent(stem)}`);
    } catch (error) {
      return trouble(error);
    }
    if (wanted !== stem) return;
    record = found;
    document.body.classList.add("recorded");
    $("record").hidden = false;
    markCard();
    $("record-name").textContent = record.name;
    $("record-preview").replaceChildren(
      ...(record.preview ? [make("img", { src: record.preview, alt: `The outline of ${record.name}` })] : []),
    );
    fillRows($("record-rows"), record.rows);
    fillList($("record-comparisons"), record.comparisons.map(sentence), $("record-comparisons-box"));
    fillList($("record-earlier"), record.earlier.map(sentence), $("record-earlier-box"));
    $("record-photos-box").hidden = !record.photos.length;
    $("record-photos").replaceChildren(
      ...record.photos.map((url, i) =>
        make("img", { src: url, alt: `Photo ${i + 1} of ${record.name}`, loading: "lazy" }),
      ),
    );
    $("record").focus({ preventScroll: true });
    $("panel").scrollTop = 0;
  }

  const lay = (section) => (e) =>
    busy(e.currentTarget, async () => {
      const doc = await post(`/api/patterns/${encodeURIComponent(record.stem)}/open`);
      desk.take(doc);
      go(section, doc.id);
    });
  $("record-open").addEventListener("click", lay("outline"));
  $("record-print").addEventListener("click", lay("keep"));
  const soon = afterQuiet(150, find);
  for (const id of ["find-words", "find-tags"]) $(id).addEventListener("input", soon);
  for (const id of ["find-size", "find-like"]) $(id).addEventListener("change", find); // half a size is none
  $("find-form").addEventListener("submit", (e) => {
    e.preventDefault();
    find();
  });

  return {
    layers: () => [],
    async enter(stem) {
      await Promise.all([find(), showRecord(stem)]);
    },
    doc() {
      const traced = Boolean(desk.doc?.traced);
      $("find-like").disabled = !traced;
      if (!traced) $("find-like").checked = false;
      $("find-like-words").textContent = traced
        ? `In shape like what lies on the desk: ${desk.doc.name}`
        : "In shape like what lies on the desk (nothing traced yet)";
    },
  };
}
