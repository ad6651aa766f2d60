/** The page put together: sections by the address's hash, the desk, the stage's own buttons. */

import { $, busy, calm, fillChoice, make, say, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { arrowMarks } from "./marks.js";
import { Stage } from "./stage.js";
import { photoSection } from "./photo.js";
import { outlineSection } from "./outline.js";
import { rebuildSection } from "./rebuild.js";
import { planSection } from "./plan.js";
import { compareSection } from "./compare.js";
import { keepSection } from "./keep.js";
import { shelfSection } from "./shelf.js";

const stage = new Stage($("stage"));

/**
 * Sections by name. Each has the layers it shows and, where it needs them: enter(rest), leave(), doc(fresh) for another
 * or a renewed document, outline() for an edited one. `needs: "traced"`: an outline must lie on the desk.
 */
const SECTIONS = {
  patterns: shelfSection(go),
  photo: photoSection(stage, go),
  outline: outlineSection(stage),
  rebuild: rebuildSection(stage, go),
  plan: planSection(stage),
  compare: compareSection(stage),
  keep: keepSection(stage, go),
};
let current = null;

/** Goes to a section, and to what is meant in it. */
function go(name, rest = "") {
  const hash = `#${name}${rest ? `/${encodeURIComponent(rest)}` : ""}`;
  if (location.hash === hash) route();
  else location.hash = hash;
}

/** #section, #section/DOCUMENT, #patterns/STEM. */
async function route() {
  const [name, rest] = location.hash.slice(1).split("/").map(decodeURIComponent);
  const section = Object.hasOwn(SECTIONS, name) ? name : "patterns";
  let refusal = null;
  try {
    if (section !== "patterns" && rest && rest !== desk.doc?.id) await desk.open(rest);
  } catch (error) {
    refusal = error;
  }
  enter(section, rest);
  if (refusal) trouble(refusal); // only now: another section begins without the troubles of the last
}

function enter(name, rest) {
  const before = current;
  if (before && before !== name) {
    calm();
    say("");
    SECTIONS[before].leave?.();
  }
  current = name;
  document.body.dataset.section = name;
  document.title = `${$(`nav-${name}`).textContent} · digitize`;
  for (const other of Object.keys(SECTIONS)) {
    if (other === name) $(`nav-${other}`).setAttribute("aria-current", "page");
    else $(`nav-${other}`).removeAttribute("aria-current");
  }
  suit();
  if (before !== name) {
    stage.take(null);
    $("panel").scrollTop = 0;
  }
  if (SECTIONS[name].needs && desk.doc) stage.approach();
  SECTIONS[name].enter?.(rest);
}

/** Shows the section if what it needs is there, else says what is missing. */
function suit() {
  const { needs, layers } = SECTIONS[current];
  const missing = needs === "traced" && !desk.doc?.traced;
  for (const name of Object.keys(SECTIONS)) $(`section-${name}`).hidden = name !== current || missing;
  $("nothing").hidden = !missing;
  if (missing) {
    const link = make("a", { href: "#photo", id: "nothing-photo" }, desk.doc ? "trace the photo" : "trace a photo");
    const shelf = make("a", { href: "#patterns", id: "nothing-patterns" }, "lay a kept pattern on the desk");
    $("nothing").replaceChildren("No outline yet: first ", link, " or ", shelf, ".");
  }
  $("stage-empty").hidden = Boolean(desk.doc);
  $("stage-pale").hidden = desk.doc?.stage.kind !== "photo";
  $("stage-buttons").hidden = !desk.doc;
  $("zoom-part").hidden = !desk.doc?.traced;
  stage.reveal([...layers(), "picks"]);
}

function showDesk() {
  const { docs, doc } = desk;
  fillChoice(
    $("desk-choice"),
    docs.length
      ? docs.map((one) => [one.id, one.traced ? one.name : `${one.name} (not traced)`])
      : [["", "Nothing on the desk"]],
  );
  $("desk-choice").value = doc?.id ?? "";
  $("desk-choice").disabled = !docs.length;
  $("desk-close").hidden = !doc;
  for (const name of ["photo", "outline", "rebuild", "plan", "compare", "keep"]) {
    $(`nav-${name}`).href = doc ? `#${name}/${encodeURIComponent(doc.id)}` : `#${name}`;
  }
}

desk.addEventListener("doc", ({ detail: { fresh } }) => {
  showDesk();
  if (fresh) stage.show(desk.doc);
  drawOutline();
  for (const section of Object.values(SECTIONS)) section.doc?.(fresh);
  if (current) suit();
});

desk.addEventListener("outline", () => {
  drawOutline();
  for (const section of Object.values(SECTIONS)) section.outline?.();
});

function drawOutline() {
  const { doc } = desk;
  stage.outline(doc?.outline ?? null);
  stage.put("arrow", arrowMarks(doc?.arrow));
}

$("desk-choice").addEventListener("change", (e) => go(current === "patterns" ? "outline" : current, e.target.value));
const putAway = () =>
  busy($("desk-close"), async () => {
    $("leave").close();
    await desk.close();
    go(current === "patterns" ? "patterns" : "photo", current === "patterns" ? "" : desk.doc?.id);
  });
$("desk-close").addEventListener("click", () => {
  if (!desk.doc.traced || desk.doc.kept) return putAway();
  $("leave-words").textContent = `${desk.doc.name} is not kept as it is now. What was done to it would be gone.`;
  $("leave").showModal();
});
$("leave-stay").addEventListener("click", () => $("leave").close());
$("leave-go").addEventListener("click", putAway);
$("zoom-in").addEventListener("click", () => stage.zoom(1));
$("zoom-out").addEventListener("click", () => stage.zoom(-1));
$("zoom-fit").addEventListener("click", () => stage.fit());
$("zoom-part").addEventListener("click", () => stage.fitPart());
$("stage-pale").addEventListener("click", (e) => {
  const on = e.currentTarget.getAttribute("aria-pressed") !== "true";
  e.currentTarget.setAttribute("aria-pressed", on);
  stage.paled = on;
});

const root = document.documentElement;
const showTheme = () => $("theme").setAttribute("aria-pressed", root.dataset.theme === "dark");
$("theme").addEventListener("click", () => {
  root.dataset.theme = root.dataset.theme === "dark" ? "light" : "dark";
  localStorage.setItem("theme", root.dataset.theme);
});
new MutationObserver(showTheme).observe(root, { attributeFilter: ["data-theme"] });
showTheme();

window.addEventListener("hashchange", route);
try {
  await desk.begin();
  for (const select of document.querySelectorAll("select.papers"))
    fillChoice(
      select,
      desk.shop.papers.map((p) => [p, p]),
    );
  for (const section of Object.values(SECTIONS)) section.shop?.(desk.shop);
  const meant = location.hash.split("/")[1];
  const last = desk.docs[desk.docs.length - 1];
  if (last && (location.hash.startsWith("#patterns") || !desk.docs.some((one) => one.id === meant)))
    await desk.open(last.id);
  else if (!last) desk.take(null, true);
} catch (error) {
  trouble(error);
}
await route();
