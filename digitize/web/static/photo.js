/** Photo: one is loaded, told about, and traced; what was seen in it is drawn and said. */

import { $, busy, calm, fillChoice, fillList, say, sentence, trouble } from "./dom.js";
import { desk } from "./desk.js";
import { pickMark, sheetMarks } from "./marks.js";
import { follow, post, upload } from "./server.js";
import { touchTool } from "./tools.js";

/** The form's fields by the names that the server knows them by. */
const FIELDS = {
  thickness: "photo-thickness",
  check_lines: "photo-check",
  eased: "photo-eased",
  edge_height: "photo-edge-height",
  fair: "photo-fair",
  lens: "photo-lens",
};
const BOARD = "10x7x25mm"; // until another is told

/** @param {import("./stage.js").Stage} stage @param {(name: string, rest?: string) => void} go */
export function photoSection(stage, go) {
  let sending = null;
  const tracing = new Map(); // document id -> {job, step, done}
  let part = null; // a place in the part that is meant; null for the largest

  const pointer = touchTool("Touch the part that is meant.", (at) => choosePart(at));

  async function send(file) {
    if (!file) return;
    sending?.cancel();
    calm();
    const mine = upload(`/api/photos?name=${encodeURIComponent(file.name || "photo.jpg")}`, file, (done) => {
      $("upload-progress").value = done;
      $("upload-words").textContent = done < 1 ? "Loading the photo" : "Reading the photo";
    });
    sending = mine;
    $("upload-progress").value = 0;
    $("upload").hidden = false;
    go("photo");
    try {
      const doc = await mine.finished;
      if (doc) {
        desk.take(doc);
        go("photo", doc.id);
        $("photo-thickness").focus({ preventScroll: true });
      } else say("Loading stopped.");
    } catch (error) {
      trouble(error);
    } finally {
      if (sending === mine) {
        sending = null;
        $("upload").hidden = true;
      }
    }
  }

  function choosePart(at) {
    part = at;
    remember();
    showPart();
    stage.take(null);
    $("photo-part").setAttribute("aria-pressed", "false");
  }

  function showPart() {
    stage.put("picks", part ? pickMark(part, "this part") : []);
    $("photo-part-words").textContent = part
      ? "The part that was touched is traced."
      : "The largest part in the photo is traced.";
    $("photo-part-largest").hidden = !part;
  }

  function told() {
    const values = Object.fromEntries(Object.entries(FIELDS).map(([key, id]) => [key, $(id).value.trim()]));
    const plain = $("photo-sheet").value === "plain";
    return { ...values, sheet: plain ? `plain:${$("photo-board").value.trim()}` : "coded", at: part };
  }

  /** How the pieces of one part are to be joined. */
  function toldOfPieces() {
    return { lost: $("join-lost").value.trim(), flip: $("join-flip").value.trim(), way: Number($("join-way").value) };
  }

  const left = (id) => `form of ${id}`;

  /** The form as it is, for when another document has been looked at meanwhile, or the page was loaded again. */
  function remember() {
    const fields = [...$("trace-form").querySelectorAll("input, select")];
    const values = fields.map(({ id, value, checked }) => ({ id, value, checked }));
    sessionStorage.setItem(left(desk.doc.id), JSON.stringify({ part, values }));
  }

  /** As it was left; else as the server was told. */
  function fillForm({ id, told }) {
    for (const [key, field] of Object.entries(FIELDS)) $(field).value = told[key] ?? "";
    const [kind, board] = (told.sheet ?? "coded").split(":");
    $("photo-sheet").value = kind;
    $("photo-board").value = board ?? BOARD;
    part = told.at ?? null;
    $("photo-pieces").checked = "way" in told;
    for (const what of ["lost", "flip"]) $(`join-${what}`).value = told[what] ?? "";
    $("join-way").value = told.way ?? 1;
    const form = JSON.parse(sessionStorage.getItem(left(id)));
    for (const { id: field, value, checked } of form?.values ?? []) Object.assign($(field), { value, checked });
    if (form) part = form.part;
    $("photo-board-row").hidden = $("photo-sheet").value !== "plain";
  }

  async function trace() {
    const { id } = desk.doc;
    const joining = $("photo-pieces").checked;
    const begun = joining
      ? await post(desk.url("/join"), { ...told(), ...toldOfPieces() })
      : await post(desk.url("/trace"), told());
    await watch(id, begun);
  }

  /**
   * Shows how the tracing of a document goes until it ends, and what has come of it.
   * @param {string} id
   * @param {{job: string, doc: string|null}} begun by this page or before; doc: a new one that comes of it
   */
  async function watch(id, { job, doc: whole }) {
    if (tracing.get(id)?.job === job) return;
    const state = { job, step: "Waiting", done: 0 };
    tracing.set(id, state);
    showRun();
    $("trace-run").scrollIntoView({ block: "nearest" });
    try {
      const done = await follow(job, (news) => {
        Object.assign(state, { step: sentence(news.step || news.state).slice(0, -1), done: news.done ?? state.done });
        showRun();
      });
      tracing.delete(id);
      if (done && whole) {
        if (desk.doc?.id === id) go("rebuild", whole);
        else await desk.list();
        say("The pieces are joined.");
        return;
      }
      if (done) {
        await desk.again(id);
        desk.edited(id, {}); // another outline: what was made of the former one goes
      }
      if (desk.doc?.id !== id) return;
      say(done ? "" : "Tracing stopped.");
      if (done) $("photo-result").scrollIntoView({ block: "nearest" });
    } finally {
      tracing.delete(id);
      showRun();
    }
  }

  /** Work on this document that goes on since before the page was loaded, or that another page has begun. */
  function takeUp() {
    const { doc } = desk;
    if (!doc?.job) return;
    const begun = doc.job;
    doc.job = null; // watched from now on
    watch(doc.id, begun).catch(trouble);
  }

  function showRun() {
    const state = tracing.get(desk.doc?.id);
    $("trace-run").hidden = !state;
    $("trace-go").hidden = Boolean(state);
    if (!state) return;
    $("trace-progress").value = state.done;
    if ($("trace-step").textContent !== state.step) $("trace-step").textContent = state.step;
  }

  function showPieces() {
    const joining = $("photo-pieces").checked;
    $("join-box").hidden = !joining;
    $("photo-part-row").hidden = joining;
    $("trace-go").textContent = joining ? "Trace and join" : desk.doc?.traced ? "Trace again" : "Trace";
  }

  function showDoc() {
    const { doc } = desk;
    const photo = doc?.kind === "photo";
    $("photo-help").hidden = Boolean(doc);
    $("trace-form").hidden = !photo;
    $("photo-result").hidden = !doc?.traced;
    $("photo-words").textContent = doc?.outline?.words ?? "";
    $("photo-next").href = doc ? `#outline/${encodeURIComponent(doc.id)}` : "#outline";
    showPieces();
    $("trace-go").classList.toggle("primary", !doc?.traced);
    fillList($("photo-warnings"), (doc?.warnings ?? []).map(sentence));
    $("photo-advice").textContent = doc?.advice ? sentence(doc.advice) : "";
    const sheets = doc?.sheets ?? [];
    const points = sheets.reduce((sum, sheet) => sum + sheet.points.length, 0);
    const count = sheets.length === 1 ? "One sheet" : `${sheets.length} sheets`;
    const grain = doc?.grain_seen ? sentence(doc.grain_seen.words) : "";
    $("photo-sheets").textContent = sheets.length ? `${count} with ${points} grid points. ${grain}` : "";
    stage.put("sheets", sheetMarks(sheets));
    showRun();
  }

  for (const id of ["photo-file", "photo-camera"]) {
    $(id).addEventListener("change", (e) => {
      send(e.target.files[0]);
      e.target.value = ""; // so that the same file may be chosen again
    });
  }
  for (const kind of ["dragenter", "dragover", "dragleave", "drop"]) {
    document.addEventListener(kind, (e) => {
      e.preventDefault();
      document.body.classList.toggle("dropping", kind === "dragenter" || kind === "dragover");
      if (kind === "drop") send(e.dataTransfer.files[0]);
    });
  }
  $("upload-cancel").addEventListener("click", () => sending?.cancel());
  $("photo-sheet").addEventListener("change", (e) => ($("photo-board-row").hidden = e.target.value !== "plain"));
  $("photo-pieces").addEventListener("change", () => {
    choosePart(part);
    showPieces();
  });
  $("trace-form").addEventListener("input", remember);
  $("photo-part").addEventListener("click", (e) => {
    const on = e.currentTarget.getAttribute("aria-pressed") !== "true";
    e.currentTarget.setAttribute("aria-pressed", on);
    stage.take(on ? pointer : null);
  });
  $("photo-part-largest").addEventListener("click", () => choosePart(null));
  $("trace-form").addEventListener("submit", (e) => {
    e.preventDefault();
    busy($("trace-go"), trace);
  });
  $("trace-cancel").addEventListener("click", (e) => {
    const state = tracing.get(desk.doc?.id);
    if (state) busy(e.currentTarget, () => post(`/api/jobs/${state.job}/cancel`));
  });

  return {
    layers: () => ["sheets", "edge"],
    shop: ({ lenses }) =>
      fillChoice($("photo-lens"), [["", "none: found from the sheets"], ...lenses.map((lens) => [lens, lens])]),
    enter: showPart,
    leave() {
      $("photo-part").setAttribute("aria-pressed", "false");
      stage.put("picks", []);
    },
    doc(fresh) {
      if (fresh && desk.doc) fillForm(desk.doc);
      showDoc();
      takeUp();
      if (document.body.dataset.section === "photo") showPart();
    },
    outline: () => ($("photo-words").textContent = desk.doc.outline.words),
  };
}
