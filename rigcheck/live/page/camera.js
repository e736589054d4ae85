// One camera on the page: its picture, the lines over it, the measured points, maps, and the board's outlines.

const SVG = "http://www.w3.org/2000/svg";
const RATE_SPAN_MS = 2000;
const STILL_MS = 1200;

function made(name, attributes = {}, parent = null) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (parent) parent.append(element);
  return element;
}

/** A line drawn twice: a dark edge under a light mark. */
function drawn(parent, path) {
  made("path", { class: "edge", d: path }, parent);
  made("path", { class: "mark", d: path }, parent);
}

export class Camera {
  constructor(idx, parent) {
    this.idx = idx;
    this.size = null;
    this.crosses = new Map();
    this.times = [];
    this.arrivedAt = 0;
    this.waiting = null;
    this.decoding = false;
    this.mapKind = null;
    this.mapped = false;
    this.figure = document.createElement("figure");
    this.figure.className = "camera";
    this.box = document.createElement("div");
    this.box.className = "picture";
    this.canvas = document.createElement("canvas");
    this.canvas.setAttribute("role", "img");
    this.context = this.canvas.getContext("2d", { alpha: false, desynchronized: true });
    this.map = document.createElement("canvas");
    this.map.setAttribute("aria-hidden", "true");
    this.svg = made("svg", { role: "group" });
    this.trouble = document.createElement("p");
    this.trouble.className = "trouble";
    this.trouble.hidden = true;
    this.caption = document.createElement("figcaption");
    this.name = document.createElement("b");
    this.rate = document.createElement("span");
    this.why = document.createElement("span");
    this.why.className = "why";
    this.legend = document.createElement("span");
    this.legend.className = "legend";
    this.caption.append(this.name, this.rate, this.why, this.legend);
    this.box.append(this.canvas, this.map, this.svg, this.trouble);
    this.figure.append(this.box, this.caption);
    parent.append(this.figure);
    this.svg.addEventListener("keydown", (event) => this.#step(event));
    this.svg.addEventListener("pointerdown", (event) => this.#touched(event));
  }

  /** Takes a picture's bytes; an older one that is not decoded yet is dropped. */
  take(header, bytes, clock) {
    this.arrivedAt = performance.now();
    this.waiting = { header, bytes, clock };
    if (!this.decoding && !document.hidden) this.#decode();
  }

  async #decode() {
    this.decoding = true;
    while (this.waiting) {
      const { header, bytes, clock } = this.waiting;
      this.waiting = null;
      try {
        const bitmap = await createImageBitmap(new Blob([bytes], { type: "image/jpeg" }));
        this.#resize(header.size);
        this.context.drawImage(bitmap, 0, 0, ...this.size);
        bitmap.close();
        requestAnimationFrame(() => this.#seen(clock.ageMs(header.taken_s)));
      } catch {
        // One garbled picture: the next one is already on its way.
      }
    }
    this.decoding = false;
  }

  #seen(age) {
    const now = performance.now();
    this.times.push({ now, age });
    while (now - this.times[0].now > RATE_SPAN_MS) this.times.shift();
  }

  #resize(size) {
    if (this.size && this.size[0] === size[0] && this.size[1] === size[1]) return;
    this.size = size;
    [this.canvas.width, this.canvas.height] = size;
    this.svg.setAttribute("viewBox", `0 0 ${size[0]} ${size[1]}`);
    this.#lines();
    const wide = size[0] > size[1];
    this.figure.parentElement.dataset.shape = wide ? "wide" : "tall";
    // How much of the page's width the pictures need at the height that there is.
    const main = this.figure.closest("main");
    main.style.setProperty("--aspect", size[0] / size[1]);
    main.style.setProperty("--across", wide ? 0.5 : this.figure.parentElement.children.length);
  }

  #lines() {
    const [w, h] = this.size;
    this.svg.replaceChildren();
    this.crosses.clear();
    const hatch = made("pattern", { id: "hatch", width: w / 40, height: w / 40, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, made("defs", {}, this.svg));
    made("path", { d: `M0 0V${w / 40}`, stroke: "#fff", "stroke-opacity": 0.5, "stroke-width": w / 200 }, hatch);
    this.covered = made("g", { class: "covered", "aria-hidden": "true" }, this.svg);
    const thirds = made("g", { class: "guides thirds", "aria-hidden": "true" }, this.svg);
    drawn(thirds, [1, 2].map((i) => `M${(i * w) / 3} 0V${h}M0 ${(i * h) / 3}H${w}`).join(""));
    drawn(made("g", { class: "guides", "aria-hidden": "true" }, this.svg), `M${w / 2} 0V${h}M0 ${h / 2}H${w}`);
    this.wanted = made("g", { class: "wanted", role: "img", "aria-label": "Where the board is wanted" }, this.svg);
    this.points = made("g", {}, this.svg);
  }

  /** Draws the measured points; those that stay are moved, so that focus stays with them. */
  show(reading, old) {
    this.why.textContent = reading.face ? "" : reading.sentence;
    if (!this.size) return;
    const [w, h] = this.size;
    const gone = new Set(this.crosses.keys());
    for (const { name, x, y } of old ? [] : reading.crosses) {
      gone.delete(name);
      const cross = this.crosses.get(name) ?? this.#cross(name);
      cross.setAttribute("transform", `translate(${(x * w).toFixed(1)} ${(y * h).toFixed(1)})`);
      // Names near the right edge stand to the left of their point.
      const text = cross.lastChild;
      text.setAttribute("text-anchor", x > 0.6 ? "end" : "start");
      text.setAttribute("x", (x > 0.6 ? -1 : 1) * w * 0.022);
    }
    for (const name of gone) { this.crosses.get(name).remove(); this.crosses.delete(name); }
    this.#oneStop();
  }

  #cross(name) {
    const w = this.size[0];
    const cross = made("g", { class: "cross", role: "img", tabindex: "-1", "aria-label": name }, this.points);
    const arm = w * 0.011;
    made("circle", { class: "touch", r: w * 0.03 }, cross);
    drawn(cross, `M${-arm} 0H${arm}M0 ${-arm}V${arm}`);
    made("text", { "font-size": w * 0.045, y: -w * 0.016, "aria-hidden": "true" }, cross).textContent = name;
    this.crosses.set(name, cross);
    return cross;
  }

  /** One stop of the Tab key a picture; arrows go from point to point. */
  #oneStop() {
    const all = [...this.crosses.values()];
    if (all.length > 0 && !all.some((each) => each.tabIndex === 0)) all[0].setAttribute("tabindex", "0");
  }

  #step(event) {
    const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    const all = [...this.crosses.values()];
    const at = all.indexOf(document.activeElement);
    if (!by || at < 0) return;
    event.preventDefault();
    this.#go(all[(at + by + all.length) % all.length]);
  }

  #go(cross) {
    for (const each of this.crosses.values()) each.setAttribute("tabindex", "-1");
    cross.setAttribute("tabindex", "0");
    cross.focus();
  }

  #touched(event) {
    let best = null;
    let distance = this.box.clientWidth * 0.12;
    for (const cross of this.crosses.values()) {
      const box = cross.getBoundingClientRect();
      const away = Math.hypot(event.clientX - box.x - box.width / 2, event.clientY - box.y - box.height / 2);
      if (away < distance) { best = cross; distance = away; }
    }
    if (best) { event.preventDefault(); this.#go(best); }
  }

  /** Draws the board's coverage and the outline wanted, or clears both. */
  showBoard(board) {
    if (!this.size) return;
    const [w, h] = this.size;
    const mine = (list) => list?.find((each) => each.camera_idx === this.idx);
    const cells = mine(board?.coverage)?.cells ?? [];
    this.covered.replaceChildren();
    cells.forEach((row, r) => row.forEach((on, c) => {
      const [cw, ch] = [w / row.length, h / cells.length];
      if (on) made("rect", { x: c * cw, y: r * ch, width: cw, height: ch }, this.covered);
    }));
    const corners = mine(board?.wanted)?.corners ?? [];
    this.wanted.replaceChildren();
    this.wanted.toggleAttribute("hidden", corners.length === 0);
    if (corners.length === 0) return;
    const at = corners.map(([x, y]) => [x * w, y * h]);
    drawn(this.wanted, `M${at.map((each) => each.map((v) => v.toFixed(1)).join(" ")).join("L")}Z`);
    const middle = (i) => at.reduce((sum, each) => sum + each[i], 0) / at.length;
    made("text", { x: middle(0), y: middle(1), "font-size": w * 0.055 }, this.wanted).textContent = "board here";
  }

  /** Shows a map over the picture, or none. */
  async showMap(kind) {
    if (this.mapKind !== kind) this.mapped = false;
    this.mapKind = kind;
    this.map.hidden = !this.mapped;
    if (kind === null) return;
    try {
      const answer = await fetch(`/map/${kind}/${this.idx}`, { cache: "no-store" });
      if (this.mapKind !== kind) return;
      this.mapped = answer.status === 200;
      this.map.hidden = !this.mapped;
      if (!this.mapped) return;
      const bitmap = await createImageBitmap(await answer.blob());
      [this.map.width, this.map.height] = [bitmap.width, bitmap.height];
      this.map.getContext("2d").drawImage(bitmap, 0, 0);
      bitmap.close();
    } catch {
      // The line broke: the stream says so.
    }
  }

  /** Says how the source does; a picture that stands still never looks alive. */
  tell(source, connected) {
    this.name.textContent = `${source.camera_idx + 1}: ${source.name}`;
    const quiet = this.arrivedAt ? performance.now() - this.arrivedAt : 0;
    const still = quiet > STILL_MS || source.state !== "running" || !connected;
    const said = !connected ? "Old picture: no connection." : source.sentence;
    this.figure.classList.toggle("still", still);
    this.trouble.hidden = !still;
    const words = said || (quiet > STILL_MS ? `Old picture: none for ${(quiet / 1000).toFixed(0)} s.` : "Waiting for pictures.");
    if (this.trouble.textContent !== words) this.trouble.textContent = words;
    const ages = this.times.map((each) => each.age).sort((a, b) => a - b);
    const rate = (ages.length / (RATE_SPAN_MS / 1000)).toFixed(0);
    this.rate.textContent = still || ages.length < 3 ? "" : `${rate} a second, ${ages[ages.length >> 1].toFixed(0)} ms old`;
    this.canvas.setAttribute("aria-label", `Camera ${source.camera_idx + 1}, ${source.name}, upright${still ? ", standing still" : ""}`);
    this.svg.setAttribute("aria-label", `Measured points of camera ${source.camera_idx + 1}`);
  }
}
