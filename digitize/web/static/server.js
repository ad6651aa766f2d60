/** Talks to the server: JSON both ways, a photo as it is, progress as a stream of events. */

const HEADER = { "X-Digitize": "1" };

/** What the server refused, or what kept it from answering: a problem and what to do about it. */
export class Refusal extends Error {
  constructor(problem, remedy = "") {
    super(problem);
    this.problem = problem;
    this.remedy = remedy;
  }
}

const silent = () => new Refusal("the program does not answer", "see that it still runs, then load this page again");

function refusalFrom(status, text) {
  try {
    const { problem, remedy } = JSON.parse(text);
    if (problem) return new Refusal(problem, remedy);
  } catch {
    // no JSON: told by its number below
  }
  return new Refusal(`the program answered with error ${status}`, "try again; if it stays, start the program anew");
}

async function ask(url, options) {
  const response = await fetch(url, options).catch(() => {
    throw silent();
  });
  const text = await response.text();
  if (!response.ok) throw refusalFrom(response.status, text);
  return text ? JSON.parse(text) : {};
}

/** GET -> the JSON that came back. Throws a Refusal. */
export const get = (url) => ask(url);

/** POST of JSON -> the JSON that came back. Throws a Refusal. */
export const post = (url, body = {}) =>
  ask(url, { method: "POST", headers: { ...HEADER, "Content-Type": "application/json" }, body: JSON.stringify(body) });

/**
 * Sends a file as it is.
 * @param {string} url
 * @param {Blob} file
 * @param {(done: number) => void} onDone how much of it has gone, 0 to 1
 * @returns {{finished: Promise<object|null>, cancel: () => void}} null where it was cancelled
 */
export function upload(url, file, onDone) {
  const request = new XMLHttpRequest();
  const finished = new Promise((resolve, reject) => {
    request.upload.addEventListener("progress", (e) => e.lengthComputable && onDone(e.loaded / e.total));
    request.addEventListener("load", () => {
      if (request.status < 300) resolve(JSON.parse(request.responseText));
      else reject(refusalFrom(request.status, request.responseText));
    });
    request.addEventListener("error", () => reject(silent()));
    request.addEventListener("abort", () => resolve(null));
    request.open("POST", url);
    for (const [key, value] of Object.entries(HEADER)) request.setRequestHeader(key, value);
    request.send(file);
  });
  return { finished, cancel: () => request.abort() };
}

/**
 * Follows a job until it ends; a broken stream is taken up again by the browser itself.
 * @param {string} job
 * @param {(state: object) => void} onState
 * @returns {Promise<boolean>} true when done, false when cancelled; throws a Refusal when it failed
 */
export function follow(job, onState) {
  return new Promise((resolve, reject) => {
    const events = new EventSource(`/api/jobs/${job}`);
    const end = (settle, value) => {
      events.close();
      settle(value);
    };
    events.addEventListener("message", (message) => {
      const state = JSON.parse(message.data);
      onState(state);
      if (state.state === "done") end(resolve, true);
      if (state.state === "cancelled") end(resolve, false);
      if (state.state === "failed") end(reject, new Refusal(state.problem, state.remedy));
    });
    events.addEventListener("error", () => {
      if (events.readyState === EventSource.CLOSED) end(reject, silent());
    });
  });
}

/**
 * One request in flight; the last that waits gives way to a later one, if it is only `passing`.
 * @param {(body: object) => Promise<object>} send
 * @param {(reply: object, body: object) => void} take
 * @param {(error: Error, body: object) => void} fail
 * @returns {(body: object) => Promise<void>} resolves once nothing waits any more
 */
export function oneAtATime(send, take, fail) {
  const waiting = [];
  let running = null;
  const run = async () => {
    while (waiting.length) {
      const body = waiting.shift();
      try {
        take(await send(body), body);
      } catch (error) {
        fail(error, body);
      }
    }
    running = null;
  };
  return (body) => {
    if (waiting[waiting.length - 1]?.passing) waiting.pop();
    waiting.push(body);
    running ??= run();
    return running;
  };
}

/**
 * Asks again and again (as one types); only the answer to the last question counts.
 * @param {(question: any) => Promise<object>} send
 * @returns {(question: any) => Promise<object|null>} null where a later question has overtaken this one
 */
export function lastOnly(send) {
  let count = 0;
  return async (question) => {
    const mine = ++count;
    const reply = await send(question);
    return mine === count ? reply : null;
  };
}
