/** What lies on the desk: the documents that the server holds open, and the one that is looked at. */

import { get, post } from "./server.js";

class Desk extends EventTarget {
  /** What the shop has: folder, lenses, papers, cutters. */
  shop = null;
  /** All that is open: [{id, name, kind, traced}]. */
  docs = [];
  /** The one looked at, as the server gave it; null when the desk is empty. */
  doc = null;

  /** Asks what there is. */
  async begin() {
    [this.shop, { docs: this.docs }] = await Promise.all([get("/api/shop"), get("/api/desk")]);
  }

  /** Asks anew what lies open. */
  async list() {
    ({ docs: this.docs } = await get("/api/desk"));
    this.take(this.doc, false);
  }

  /** Where the looked-at document is asked for things. */
  url(rest = "") {
    return `/api/desk/${encodeURIComponent(this.doc.id)}${rest}`;
  }

  /** Looks at one that is open. */
  async open(id) {
    this.take(await get(`/api/desk/${encodeURIComponent(id)}`));
  }

  /** Looks at the same again, after a job. */
  async again(id = this.doc.id) {
    const doc = await get(`/api/desk/${encodeURIComponent(id)}`);
    if (this.doc?.id === id) this.take(doc, false);
  }

  /**
   * A document as the server gave it.
   * Event "doc": {fresh} is true where another one lay there before.
   */
  take(doc, fresh = doc?.id !== this.doc?.id) {
    this.doc = doc;
    if (doc) {
      const { id, name, kind, traced } = doc;
      const known = this.docs.find((one) => one.id === id);
      if (known) Object.assign(known, { name, kind, traced });
      else this.docs.push({ id, name, kind, traced });
    }
    this.dispatchEvent(new CustomEvent("doc", { detail: { fresh } }));
  }

  /** What an edit gave; event "outline". */
  edited(id, change) {
    if (this.doc?.id !== id) return;
    Object.assign(this.doc, change);
    this.dispatchEvent(new CustomEvent("outline"));
  }

  /** Puts the looked-at one away and takes up another, if any. */
  async close() {
    const { id } = this.doc;
    await post(this.url("/close"));
    this.docs = this.docs.filter((one) => one.id !== id);
    if (this.docs.length) await this.open(this.docs[this.docs.length - 1].id);
    else this.take(null);
  }
}

export const desk = new Desk();
