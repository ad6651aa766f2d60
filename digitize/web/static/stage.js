/**
 * The stage: a photo in tiles or a bare drawing, layers of marks over it, and one tool at a time.
 * Coordinates are the server's own: x right, y up.
 */

import { $ } from "./dom.js";
import { bandMarks, edgeMarks, jointMark, STYLES } from "./marks.js";

/** Layers from the lowest to the topmost; `edge` and `joints` are the outline's. */
const LAYERS = ["sheets", "band", "before", "edge", "plan", "comparison", "pages", "aid", "arrow", "joints", "picks"];
const BUFFER_PX = 600; // drawn beyond the view, so that nothing is missing while it is dragged
const FINGER_PX = 30;
const MOUSE_PX = 16;
const PALE_OPACITY = 0.35;

/**
 * A tool on the stage: any of these.
 * @typedef {object} Tool
 * @property {string} hint what to do with it
 * @property {(at: number[], reach: number) => boolean} [grab] pointer down; true to take it, else it drags the view
 * @property {(at: number[]) => void} [drag] the taken pointer moved
 * @property {() => void} [drop] and was let go
 * @property {() => void} [abandon] a second finger came
 * @property {(at: number[], reach: number) => void} [touch] touched without dragging, or Enter on the stage's middle
 * @property {(dx: number, dy: number) => boolean} [nudge] an arrow key; true if it was used
 * @property {() => void} [leave] another tool was chosen
 */

export class Stage {
  #map;
  #tiles = null;
  #layers = {};
  #edge = edgeMarks();
  #outlines = 0;
  #tool = null;
  #extent = null;
  #drawing = false;

  /** @param {HTMLElement} target */
  constructor(target) {
    this.target = target;
    target.stage = this; // for whoever has to find a place of it on the screen
    for (const [i, name] of LAYERS.entries()) {
      this.#layers[name] = new ol.layer.Vector({
        source: new ol.source.Vector(),
        zIndex: i + 1,
        renderBuffer: BUFFER_PX,
      });
    }
    this.#layers.edge.getSource().addFeatures(Object.values(this.#edge));
    this.#map = new ol.Map({
      target,
      controls: [],
      layers: Object.values(this.#layers),
      interactions: ol.interaction.defaults.defaults({
        altShiftDragRotate: false,
        pinchRotate: false,
        doubleClickZoom: false,
        keyboard: false,
      }),
    });
    this.#map.addInteraction(this.#hand());
    this.#map.on("click", (e) => this.#tool?.touch?.(e.coordinate, this.#reach(e.originalEvent)));
    target.addEventListener("keydown", (e) => this.#key(e));
    this.#map.on("change:size", () => this.#extent && !this.#map.getView().getCenter() && this.fit());
  }

  /** Shows a document's photo or, without one, its bare bounds. */
  show(doc) {
    delete this.target.dataset.ready;
    if (this.#tiles) this.#map.removeLayer(this.#tiles);
    this.#tiles = null;
    for (const name of LAYERS) if (name !== "edge") this.put(name, []);
    this.outline(null);
    this.#near = false;
    this.#extent = null;
    if (!doc) return;
    const { kind, width, height, tiles, tile_size: tileSize, bounds } = doc.stage;
    this.#drawing = kind !== "photo";
    this.#extent = this.#drawing ? bounds : [0, -height, width, 0];
    if (!this.#drawing) {
      const url = `${tiles}?{tileIndex}`; // without a place for it, the library would append one of its own
      const source = new ol.source.Zoomify({ url, size: [width, height], tileSize, transition: 0 });
      this.#tiles = new ol.layer.Tile({ source, zIndex: 0, preload: 1, opacity: this.#paled ? PALE_OPACITY : 1 });
      this.#map.addLayer(this.#tiles);
    }
    const projection = new ol.proj.Projection({ code: `stage-${doc.id}`, units: "pixels", extent: this.#extent });
    const reach = Math.max(...ol.extent.getSize(this.#extent));
    this.#map.setView(
      new ol.View({
        projection,
        enableRotation: false,
        extent: ol.extent.buffer(this.#extent, reach),
        constrainOnlyCenter: true,
        minResolution: this.#drawing ? 0.005 : 1 / 24,
        maxResolution: reach / 150,
        smoothResolutionConstraint: true,
      }),
    );
    this.fit();
    this.#map.once("rendercomplete", () => (this.target.dataset.ready = doc.id));
  }

  /** Draws the outline; of a trial, only the edge: joints and band stay as they were. */
  outline(outline, trial = false) {
    this.#edge.edge.getGeometry().setCoordinates((outline?.loops ?? []).map((loop) => [loop]));
    if (!trial) {
      this.#edge.invented.getGeometry().setCoordinates(outline?.invented ?? []);
      this.put("band", bandMarks(outline?.bands ?? []));
      this.put("joints", (outline?.joints ?? []).map(jointMark));
    }
    if (outline) this.#map.once("postrender", () => (this.target.dataset.outline = ++this.#outlines));
  }

  /** Puts marks on a layer, in place of those that were there. */
  put(name, marks) {
    const source = this.#layers[name].getSource();
    source.clear(true);
    source.addFeatures(marks);
  }

  /** Shows these layers and no others. */
  reveal(names) {
    for (const [name, layer] of Object.entries(this.#layers)) layer.setVisible(names.includes(name));
  }

  /** The joints' marks, each with its `joint`. */
  get joints() {
    return this.#layers.joints.getSource().getFeatures();
  }

  /** The joint's mark nearest to a place, no farther off than `reach`; null where there is none. */
  jointNear(at, reach) {
    const mark = this.#layers.joints.getSource().getClosestFeatureToCoordinate(at);
    if (!mark) return null;
    const [x, y] = mark.getGeometry().getCoordinates();
    return Math.hypot(x - at[0], y - at[1]) <= reach ? mark : null;
  }

  /** The place on the drawn edge nearest to a place; null where the edge is farther off than `reach`. */
  onEdge(at, reach) {
    const geometry = this.#edge.edge.getGeometry();
    if (ol.extent.isEmpty(geometry.getExtent())) return null;
    const near = geometry.getClosestPoint(at);
    return Math.hypot(near[0] - at[0], near[1] - at[1]) <= reach ? near : null;
  }

  /** One pixel of the photo; in a drawing a tenth of a millimetre. */
  get step() {
    return this.#drawing ? 0.1 : 1;
  }

  /** Pales the photo so that lines stand out. */
  set paled(on) {
    this.#paled = on;
    this.target.classList.toggle("paled", on);
    this.#tiles?.setOpacity(on ? PALE_OPACITY : 1);
  }

  #paled = false;

  /** Takes a tool in hand, or none. @param {Tool|null} tool */
  take(tool) {
    if (tool === this.#tool) return;
    this.#tool?.leave?.();
    this.#tool = tool;
    this.hint(tool?.hint ?? "");
    this.target.classList.toggle("aiming", Boolean(tool));
  }

  /** What to do next, over the stage. */
  hint(words) {
    $("stage-hint").textContent = words;
  }

  /** All of it in view. */
  fit() {
    if (this.#extent && this.#shown()) this.#map.getView().fit(this.#extent, { padding: [8, 8, 68, 8] });
  }

  #shown() {
    this.#map.updateSize(); // a section may just have uncovered the stage
    return this.#map.getSize()?.every((side) => side > 0);
  }

  /** The part in view, as large as it goes. */
  fitPart() {
    this.#near = this.fitLayer("edge");
  }

  /** All that is drawn on a layer in view; false where there is nothing, or no room. */
  fitLayer(name) {
    const extent = this.#layers[name].getSource().getExtent();
    if (ol.extent.isEmpty(extent) || !this.#shown()) return false;
    const edge = Math.min(...this.#map.getSize()) / 16;
    const padding = [40 + edge / 2, edge, 64 + edge / 2, edge]; // hint above, buttons below
    this.#map.getView().fit(extent, { padding });
    return true;
  }

  /** The part in view, if it was not yet brought there. */
  approach() {
    if (!this.#near) this.fitPart();
  }

  #near = false;

  /** Where a place lies on the screen, px from the page's upper left; null before anything is drawn. */
  pixelOf(at) {
    const pixel = this.#map.getPixelFromCoordinate(at);
    const { left, top } = this.target.getBoundingClientRect();
    return pixel && [pixel[0] + left, pixel[1] + top];
  }

  /** Nearer or farther by steps that double. */
  zoom(steps) {
    const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
    this.#map.getView().animate({ zoom: this.#map.getView().getZoom() + steps, duration: still ? 0 : 180 });
  }

  /** Brings a place into view if it is not. */
  bring(at) {
    const view = this.#map.getView();
    if (!ol.extent.containsCoordinate(view.calculateExtent(this.#map.getSize()), at)) view.setCenter(at);
  }

  #reach(event) {
    return (event?.pointerType === "touch" ? FINGER_PX : MOUSE_PX) * this.#map.getView().getResolution();
  }

  #hand() {
    const hand = new ol.interaction.Pointer({
      handleDownEvent: (e) => {
        const primary = e.originalEvent.button === 0 && hand.getPointerCount() === 1;
        return primary && Boolean(this.#tool?.grab?.(e.coordinate, this.#reach(e.originalEvent)));
      },
      handleDragEvent: (e) => {
        if (hand.getPointerCount() > 1) this.#tool?.abandon?.();
        else this.#tool?.drag?.(e.coordinate);
      },
      handleUpEvent: () => {
        this.#tool?.drop?.();
        return false;
      },
    });
    return hand;
  }

  #key(event) {
    const view = this.#map.getView();
    if (!this.#extent || event.ctrlKey || event.metaKey || event.altKey) return;
    const arrow = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (arrow) {
      const far = event.shiftKey ? 10 : 1;
      const used = this.#tool?.nudge?.(arrow[0] * far * this.step, arrow[1] * far * this.step);
      const pan = view.getResolution() * (event.shiftKey ? 8 : 64);
      if (!used) view.adjustCenter([arrow[0] * pan, arrow[1] * pan]);
    } else if (event.key === "Escape") {
      this.#tool?.leave?.(); // still in hand, but holding nothing
      this.hint(this.#tool?.hint ?? "");
    } else if (event.key === "+" || event.key === "=") this.zoom(0.5);
    else if (event.key === "-") this.zoom(-0.5);
    else if (event.key === "0") this.fit();
    else if (event.key === "Enter" || event.key === " ")
      this.#tool?.touch?.(view.getCenter(), MOUSE_PX * view.getResolution());
    else return;
    event.preventDefault();
  }
}

/** A mark drawn as held, or as it was. */
export function hold(mark, on) {
  const joint = mark.get("joint");
  mark.setStyle(on ? STYLES.held : joint.sharp ? STYLES.sharp : STYLES.joint);
}
