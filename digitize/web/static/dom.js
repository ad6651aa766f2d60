/** Small helpers over the document. Words from outside only ever become text nodes. */

/** The element with this id. */
export const $ = (id) => document.getElementById(id);

/**
 * A new element.
 * @param {string} tag
 * @param {object} [props] properties, set as they are; `aria-…`, `role` and `scope` as attributes
 * @param {...(Node|string)} children
 */
export function make(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (key.startsWith("aria-") || key === "role" || key === "scope") node.setAttribute(key, value);
    else node[key] = value;
  }
  node.append(...children);
  return node;
}

/** Fills a table's body with [heading, words] rows, equal headings shared, and hides it while it is empty. */
export function fillRows(table, rows) {
  table.hidden = rows.length === 0;
  const body = table.tBodies[0];
  body.replaceChildren();
  let last = null;
  for (const [head, words] of rows) {
    if (last?.head !== head) {
      last = { head, cell: make("td") };
      body.append(make("tr", {}, make("th", { scope: "row" }, head), last.cell));
    }
    last.cell.append(make("p", {}, words));
  }
}

/** Fills a list with one item for each line of words, and hides it (or the box given) while it is empty. */
export function fillList(list, lines, box = list) {
  box.hidden = lines.length === 0;
  list.replaceChildren(...lines.map((line) => make("li", {}, line)));
}

/** Fills a select with [value, words] pairs, and keeps what was chosen where it is still there. */
export function fillChoice(select, pairs) {
  const before = select.value;
  select.replaceChildren(...pairs.map(([value, words]) => make("option", { value }, words)));
  if (pairs.some(([value]) => value === before)) select.value = before;
}

const SAID_MS = 4000;
let said = 0;

/** Says what was done, to eyes and to screen readers; after a while it goes by itself. */
export function say(words) {
  clearTimeout(said);
  $("say").textContent = words;
  if (words) said = setTimeout(() => say(""), SAID_MS);
}

/** Shows what went wrong and what to do about it, above the panel's section. */
export function trouble(error) {
  const close = make("button", { type: "button", id: "trouble-close" }, "Close");
  close.addEventListener("click", calm);
  say("");
  $("trouble").replaceChildren(
    make("p", { className: "problem" }, sentence(error.problem || `The page stumbled: ${error.message}`)),
    ...(error.remedy ? [make("p", { className: "remedy" }, sentence(error.remedy))] : []),
    close,
  );
  $("panel").scrollTop = 0;
}

/** Takes the trouble away. */
export function calm() {
  $("trouble").replaceChildren();
}

/** With a capital in front and a full stop behind. */
export function sentence(words) {
  const capital = words.charAt(0).toUpperCase() + words.slice(1);
  return /[.!?:]$/.test(capital) ? capital : `${capital}.`;
}

/** Runs `work`, with `button` off meanwhile; what goes wrong is shown. */
export async function busy(button, work) {
  if (button.getAttribute("aria-disabled") === "true") return;
  button.setAttribute("aria-disabled", "true"); // `disabled` would take the focus away from it
  calm();
  try {
    await work();
  } catch (error) {
    trouble(error);
  } finally {
    button.removeAttribute("aria-disabled");
  }
}

/** Calls `work` once things have been quiet for `ms`. */
export function afterQuiet(ms, work) {
  let timer = 0;
  return () => {
    clearTimeout(timer);
    timer = setTimeout(work, ms);
  };
}
