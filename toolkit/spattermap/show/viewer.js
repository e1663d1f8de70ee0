// One field to look into: pictures under and over each other, marks, droplets with their rows.
// Everything it shows comes with it: no request, no storage, no code made at run time. The same
// module serves a page (it looks for its places itself) and a notebook (default export).

const FINGER = 7; // css px a pointer may move and still be a tap
const FINER = 1.5; // css px a pixel may take before a finer picture is drawn
const DIGITS = 3; // significant figures, as everywhere in the tables
const KEYS =
  "Arrow keys move, + and − zoom, 0 shows the whole field, N and P step through the droplets " +
  "from the largest down, Enter goes to the one chosen, Escape lets it go.";
const linked = new Map(); // name of a group -> viewers that move together

/** Return an element with properties and children. */
function make(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name in node && name !== "list" && name !== "role") node[name] = value;
    else node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

/** Return the bytes of zlib data held as base64. */
async function inflate(text) {
  const raw = atob(text);
  const packed = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) packed[i] = raw.charCodeAt(i);
  // Written and read here: through a Blob and a Response each would go round by another process.
  const stream = new DecompressionStream("deflate");
  const writer = stream.writable.getWriter();
  const written = writer.write(packed).then(() => writer.close());
  const parts = [];
  const reader = stream.readable.getReader();
  for (let part = await reader.read(); !part.done; part = await reader.read()) parts.push(part.value);
  await written;
  const whole = new Uint8Array(parts.reduce((n, part) => n + part.length, 0));
  let at = 0;
  for (const part of parts) {
    whole.set(part, at);
    at += part.length;
  }
  return whole;
}

/** Return a number with a few significant figures and no exponent where it reads well. */
function figures(value) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  if (value === 0) return "0";
  const decimals = DIGITS - 1 - Math.floor(Math.log10(Math.abs(value)));
  if (decimals > 9) return value.toExponential(DIGITS - 1);
  return value.toFixed(Math.max(0, Math.min(decimals, 9)));
}

/** Return 256 colours from a few, as red, green, blue in a row. */
function ramp(stops) {
  const parts = stops.map((hex) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16)));
  const table = new Uint8Array(256 * 3);
  for (let i = 0; i < 256; i++) {
    const at = (i / 255) * (parts.length - 1);
    const first = Math.min(Math.floor(at), parts.length - 2);
    for (let c = 0; c < 3; c++) {
      const [a, b] = [parts[first][c], parts[first + 1][c]];
      table[3 * i + c] = Math.round(a + (b - a) * (at - first));
    }
  }
  return table;
}

/** Return the value below which a part of the finite values lies. */
function quantile(sorted, part) {
  return sorted[Math.min(sorted.length - 1, Math.max(0, Math.round(part * (sorted.length - 1))))];
}

/** Return means over squares of `side` pixels; missing pixels are left out. */
function squares(values, width, height, side) {
  if (side === 1) return { values, width, height };
  const [w, h] = [Math.ceil(width / side), Math.ceil(height / side)];
  const sums = new Float32Array(w * h);
  const n = new Float32Array(w * h);
  for (let y = 0, i = 0; y < height; y++) {
    const row = w * Math.floor(y / side);
    for (let x = 0; x < width; x++, i++) {
      if (Number.isNaN(values[i])) continue;
      const at = row + Math.floor(x / side);
      sums[at] += values[i];
      n[at] += 1;
    }
  }
  for (let i = 0; i < sums.length; i++) sums[i] = n[i] ? sums[i] / n[i] : NaN;
  return { values: sums, width: w, height: h };
}

/** Add the borders of the labels that `wanted` accepts, within a box, to a path. */
function borders(labels, width, height, box, wanted) {
  const path = new Path2D();
  const { left, top, right, bottom } = box;
  const edge = (one, other) => one !== other && (wanted(one) || wanted(other));
  for (let y = Math.max(top, 1); y < bottom; y++) {
    let start = -1;
    for (let x = left; x <= right; x++) {
      const at = y * width + x;
      const here = x < right && edge(labels[at - width], labels[at]);
      if (here && start < 0) start = x;
      if (!here && start >= 0) {
        path.moveTo(start, y);
        path.lineTo(x, y);
        start = -1;
      }
    }
  }
  for (let x = Math.max(left, 1); x < right; x++) {
    let start = -1;
    for (let y = top; y <= bottom; y++) {
      const at = y * width + x;
      const here = y < bottom && edge(labels[at - 1], labels[at]);
      if (here && start < 0) start = y;
      if (!here && start >= 0) {
        path.moveTo(x, start);
        path.lineTo(x, y);
        start = -1;
      }
    }
  }
  return path;
}

/** The regions found: labels, one row a region, diameters in bins. */
class Found {
  static async read(data) {
    const found = new Found();
    found.data = data;
    [found.height, found.width] = data.labels.shape;
    const bytes = await inflate(data.labels.data);
    const Kind = data.labels.bytes === 2 ? Uint16Array : Uint32Array;
    found.labels = new Kind(bytes.buffer);
    found.step = data.labels.step;
    found.measure();
    return found;
  }

  /** Find the box of each label, and the bin of each diameter. */
  measure() {
    const n = this.data.n_droplets + this.data.n_streaks;
    this.boxes = Array.from({ length: n + 1 }, () => ({ left: 1e9, top: 1e9, right: 0, bottom: 0 }));
    for (let y = 0, i = 0; y < this.height; y++) {
      for (let x = 0; x < this.width; x++, i++) {
        const label = this.labels[i];
        if (!label) continue;
        const box = this.boxes[label];
        if (x < box.left) box.left = x;
        if (x + 1 > box.right) box.right = x + 1;
        if (y < box.top) box.top = y;
        if (y + 1 > box.bottom) box.bottom = y + 1;
      }
    }
    const { diameters, edges } = this.data;
    this.bin = this.data.bins;
    this.counts = Array.from({ length: Math.max(0, edges.length - 1) }, () => 0);
    for (const bin of this.bin) if (bin >= 0) this.counts[bin] += 1;
    this.bySize = diameters.map((_, i) => i + 1).sort((a, b) => diameters[b - 1] - diameters[a - 1]);
    this.outlines = new Map();
  }

  kind(label) {
    return label === 0 ? "" : label <= this.data.n_droplets ? "droplet" : "streak";
  }

  at(x, y) {
    const [column, row] = [Math.floor(x / this.step), Math.floor(y / this.step)];
    if (column < 0 || row < 0 || column >= this.width || row >= this.height) return 0;
    return this.labels[row * this.width + column];
  }

  /** Return a place in the middle row of a region, as `at` takes it. */
  middle(label) {
    const { left, top, right, bottom } = this.boxes[label];
    const row = Math.floor((top + bottom) / 2);
    const own = [];
    for (let x = left; x < right; x++) if (this.labels[row * this.width + x] === label) own.push(x);
    const x = own.length ? own[Math.floor(own.length / 2)] : left;
    return [(x + 0.5) * this.step, (row + 0.5) * this.step];
  }

  /** Return the border of one region. */
  outline(label) {
    if (!this.outlines.has(label)) {
      const { left, top, right, bottom } = this.boxes[label];
      const box = {
        left: Math.max(0, left),
        top: Math.max(0, top),
        right: Math.min(right + 1, this.width),
        bottom: Math.min(bottom + 1, this.height),
      };
      this.outlines.set(
        label,
        borders(this.labels, this.width, this.height, box, (l) => l === label),
      );
    }
    return this.outlines.get(label);
  }

  /** Return heading and text of every column of a region's row. */
  row(label) {
    const streak = this.kind(label) === "streak";
    const columns = streak ? this.data.streak_columns : this.data.columns;
    const at = streak ? label - this.data.n_droplets - 1 : label - 1;
    return columns.map((column) => {
      const value = column.values[at];
      let text = typeof value === "number" ? figures(value) : value === null ? "–" : String(value);
      if (column.error && column.error[at] !== null) text += ` ± ${figures(column.error[at])}`;
      if (column.unit && text !== "–") text += ` ${column.unit}`;
      return [column.head, text];
    });
  }
}

/** The whole viewer in one element. */
class Viewer {
  constructor(root, base, found, options) {
    this.root = root;
    this.base = base;
    this.found = found;
    this.options = options;
    this.planes = new Map(base.planes.map((plane) => [plane.key, plane]));
    // A picture of a large field has a finer one, unpacked when somebody looks that closely.
    for (const plane of base.planes)
      if (plane.finer) this.planes.set(`${plane.key} finer`, plane.finer);
    this.painted = new Map();
    this.measures = new Map();
    this.pointers = new Map();
    const first = base.planes[0].key;
    this.state = {
      under: base.start.under ?? first,
      over: base.start.over ?? "",
      mix: base.start.mix ?? 0.5,
      sum: base.start.sum ?? 1,
      marks: new Set(base.start.marks),
      strength: 0.7,
      x: base.shape[1] / 2,
      y: base.shape[0] / 2,
      zoom: 1,
      pick: 0,
      bin: -1,
    };
    this.hover = 0;
    this.build();
    if (options.permalink) this.readAddress();
    this.showControls();
    this.watch();
    this.showRegion();
  }

  // ---------------------------------------------------------------- what stands on the page

  build() {
    const { base } = this;
    const names = () =>
      base.planes.map((plane) => make("option", { value: plane.key }, plane.label));
    const choose = (label, key, none) =>
      make(
        "label",
        { className: "field-choice" },
        make("span", {}, label),
        (this[key + "Choice"] = make(
          "select",
          { onchange: (event) => this.change({ [key]: event.target.value }) },
          ...(none ? [make("option", { value: "" }, none)] : []),
          ...names(),
        )),
      );
    const slide = (label, key) =>
      make(
        "label",
        { className: "field-choice field-slide" },
        make("span", {}, label),
        (this[key + "Slide"] = make("input", {
          type: "range",
          min: 0,
          max: 100,
          step: 1,
          oninput: (event) => this.change({ [key]: event.target.value / 100 }),
        })),
      );
    this.sumChoice = make(
      "select",
      { onchange: (event) => this.change({ sum: Number(event.target.value) }) },
      ...[1, 2, 4, 8, 16].map((side) =>
        make("option", { value: side }, side === 1 ? "single pixels" : `${side} × ${side} px`),
      ),
    );
    const pictures = make(
      "div",
      { className: "field-pictures", role: "group", "aria-label": "Pictures" },
      choose("Under", "under"),
      slide("Blend", "mix"),
      choose("Over", "over", "nothing"),
      make("label", { className: "field-choice" }, make("span", {}, "Mean over"), this.sumChoice),
    );
    this.canvas = make("canvas", {
      tabIndex: 0,
      role: "application",
      "aria-roledescription": "field of view",
      "aria-label": `${base.title}: the field with what was found in it. ${KEYS}`,
    });
    this.hint = make("p", { className: "field-hint", hidden: true });
    this.stage = make("div", { className: "field-stage" }, this.canvas, this.hint);
    this.stage.style.aspectRatio = String(
      Math.min(Math.max(base.shape[1] / base.shape[0], 0.75), 2.2),
    );
    this.ramps = make("div", { className: "field-ramps" });
    this.readout = make("p", { className: "field-readout" });
    const button = (sign, words, act) =>
      make("button", { type: "button", title: words, "aria-label": words, onclick: act }, sign);
    const tools = make(
      "div",
      { className: "field-tools", role: "group", "aria-label": "View" },
      button("+", "Zoom in", () => this.zoomBy(1.6)),
      button("−", "Zoom out", () => this.zoomBy(1 / 1.6)),
      button("whole", "Show the whole field", () => this.whole()),
      button("‹", "Next larger droplet", () => this.step(-1)),
      button("›", "Next smaller droplet", () => this.step(1)),
      button("save", "Save this view as a picture", () => this.save()),
    );
    this.markBox = make("div", {
      className: "field-marks",
      role: "group",
      "aria-label": "Marks on the picture",
    });
    this.card = make("div", { className: "field-card" });
    this.live = make("p", { className: "field-live", role: "status", "aria-live": "polite" });
    this.bars = make("div", { className: "field-bars", role: "group" });
    this.scatter = make("canvas", { className: "field-scatter", role: "img", tabIndex: -1 });
    this.scatter.addEventListener("click", (event) => this.pickInScatter(event));
    this.plots = make("div", { className: "field-plots" });
    this.shell = make(
      "div",
      { className: "field-shell" },
      make(
        "div",
        { className: "field-main" },
        pictures,
        this.stage,
        make("div", { className: "field-under" }, tools, this.ramps),
        this.markBox,
        slide("Strength of the marks", "strength"),
        this.readout,
      ),
      make("div", { className: "field-side" }, this.plots, this.card, this.live),
    );
    this.root.append(this.shell);
    this.buildMarks();
    this.buildPlots();
  }

  buildMarks() {
    const { data } = this.found;
    const all = [];
    const noun = data.noun[0].toUpperCase() + data.noun.slice(1);
    if (data.n_droplets) all.push(["droplets", `${noun}s (${data.n_droplets})`, data.colours[0]]);
    if (data.n_streaks) all.push(["streaks", `Streaks (${data.n_streaks})`, data.colours[1]]);
    for (const mask of this.base.masks) all.push([mask.key, mask.label, mask.colour]);
    this.markBox.replaceChildren(
      ...all.map(([key, label, colour]) => {
        const box = make("input", {
          type: "checkbox",
          checked: this.state.marks.has(key),
          onchange: (event) => {
            if (event.target.checked) this.state.marks.add(key);
            else this.state.marks.delete(key);
            this.changed();
          },
        });
        box.dataset.key = key;
        const swatch = make("span", { className: "field-swatch", "aria-hidden": "true" });
        swatch.style.background = colour;
        return make("label", {}, box, swatch, label);
      }),
    );
  }

  buildPlots() {
    const { data } = this.found;
    this.plots.replaceChildren();
    if (data.edges.length > 1) {
      const most = Math.max(...this.found.counts, 1);
      this.bars.setAttribute("aria-label", `${data.sizes_head}: ${data.noun}s in each range`);
      this.bars.replaceChildren(
        ...this.found.counts.map((count, i) => {
          const range = `${figures(data.edges[i])} to ${figures(data.edges[i + 1])} ${data.unit}`;
          const fill = make("span", { className: "field-bar" });
          fill.style.height = `${(100 * count) / most}%`;
          return make(
            "button",
            {
              type: "button",
              title: `${range}: ${count}`,
              "aria-label": `${range}: ${count} ${data.noun}${count === 1 ? "" : "s"}`,
              "aria-pressed": "false",
              onclick: () => this.chooseBin(i),
            },
            fill,
          );
        }),
      );
      this.bars.onkeydown = (event) => this.moveInBars(event);
      const tallest = `${data.noun[0].toUpperCase()}${data.noun.slice(1)}s, tallest bar ${most}`;
      const ends = make(
        "p",
        { className: "field-ends" },
        make("span", {}, figures(data.edges[0])),
        make("span", {}, `${data.sizes_head} (${data.unit})`),
        make("span", {}, figures(data.edges[data.edges.length - 1])),
      );
      const axis = make("p", { className: "field-axis" }, tallest);
      this.plots.append(make("div", { className: "field-plot" }, axis, this.bars, ends));
    }
    if (data.scatter) {
      const { scatter } = data;
      this.scatter.setAttribute("aria-label", scatter.words);
      const head = scatter.head.replace(/ %/g, "\u00a0%");
      this.plots.append(
        make(
          "div",
          { className: "field-plot" },
          make("p", { className: "field-axis" }, head),
          this.scatter,
          make(
            "p",
            { className: "field-ends" },
            make("span", {}, figures(scatter.low)),
            make("span", {}, `${data.sizes_head} (${data.unit})`),
            make("span", {}, figures(scatter.high)),
          ),
        ),
      );
    }
  }

  /** Take other regions of the same field; pictures, view and choices stay. */
  async update(data, masks) {
    const turn = (this.turn = (this.turn ?? 0) + 1);
    const found = await Found.read(data);
    if (turn < (this.shown ?? 0)) return; // a later one was read first
    this.shown = turn;
    const middle = this.state.pick ? this.found.middle(this.state.pick) : null;
    this.found = found;
    if (masks) {
      this.base = { ...this.base, masks };
      for (const key of [...this.painted.keys()]) if (key.startsWith("mask ")) this.painted.delete(key);
    }
    // Numbers change with the regions: chosen is what now lies where the chosen one lay.
    this.state.pick = middle ? found.at(...middle) : 0;
    this.state.bin = -1;
    this.hover = 0;
    this.buildMarks();
    this.buildPlots();
    this.showRegion();
    this.changed();
  }

  // ---------------------------------------------------------------- choices

  change(part) {
    Object.assign(this.state, part);
    this.changed();
  }

  changed() {
    this.showControls();
    this.drawSoon();
    this.writeAddressSoon();
  }

  showControls() {
    const { state } = this;
    this.underChoice.value = state.under;
    this.overChoice.value = state.over;
    this.mixSlide.value = String(Math.round(100 * state.mix));
    this.mixSlide.disabled = !state.over;
    this.strengthSlide.value = String(Math.round(100 * state.strength));
    this.sumChoice.value = String(state.sum);
    for (const box of this.markBox.querySelectorAll("input"))
      box.checked = state.marks.has(box.dataset.key);
    [...this.bars.children].forEach((bar, i) => {
      bar.setAttribute("aria-pressed", String(i === state.bin));
      const holds = state.pick > 0 && this.found.bin[state.pick - 1] === i;
      bar.classList.toggle("holds", holds);
      bar.tabIndex = i === Math.max(state.bin, 0) ? 0 : -1;
    });
  }

  chooseBin(i) {
    this.change({ bin: this.state.bin === i ? -1 : i, pick: 0 });
    this.showRegion();
    const { bin } = this.state;
    this.say(
      bin < 0 ? "No range chosen." : `${this.bars.children[bin].getAttribute("aria-label")}, marked.`,
    );
  }

  moveInBars(event) {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    const at = [...this.bars.children].indexOf(event.target);
    if (!step || at < 0) return;
    event.preventDefault();
    const next = this.bars.children[at + step];
    if (next) {
      event.target.tabIndex = -1;
      next.tabIndex = 0;
      next.focus();
    }
  }

  pick(label, { move = false } = {}) {
    this.change({ pick: label, bin: -1 });
    this.showRegion();
    if (!label) {
      this.say("Nothing chosen.");
      return;
    }
    const row = this.found.row(label).map(([head, text]) => `${head} ${text}`);
    this.say(`${this.name(label)}: ${row.join(", ")}.`);
    if (move) this.bringIntoView(label);
  }

  name(label) {
    const { noun } = this.found.data;
    const streak = this.found.kind(label) === "streak";
    return `${streak ? "Streak" : noun[0].toUpperCase() + noun.slice(1)} ${label}`;
  }

  say(words) {
    this.live.textContent = words;
  }

  step(by) {
    const order = this.found.bySize;
    if (!order.length) return;
    const at = order.indexOf(this.state.pick);
    const next = at < 0 ? (by > 0 ? 0 : order.length - 1) : at + by;
    this.pick(order[Math.min(Math.max(next, 0), order.length - 1)], { move: true });
  }

  showRegion() {
    const label = this.hover || this.state.pick;
    if (!label) {
      const { data } = this.found;
      const many = data.n_droplets > 0;
      this.card.replaceChildren(
        make(
          "p",
          { className: "field-invite" },
          many
            ? `Point at a ${data.noun}, tap it, or press N in the picture to read its row.`
            : "No droplet was found in this field.",
        ),
      );
      return;
    }
    const title = this.name(label) + (label === this.state.pick ? ", chosen" : "");
    this.card.replaceChildren(
      make("h3", {}, title),
      make(
        "dl",
        {},
        ...this.found.row(label).map(([head, text]) =>
          make("div", {}, make("dt", {}, head), make("dd", {}, text)),
        ),
      ),
    );
  }

  // ---------------------------------------------------------------- moving about

  get fit() {
    const [height, width] = this.base.shape;
    return Math.min(this.canvas.clientWidth / width, this.canvas.clientHeight / height) || 1;
  }

  get scale() {
    return this.fit * this.state.zoom;
  }

  toField(x, y) {
    const { scale, state } = this;
    return [
      state.x + (x - this.canvas.clientWidth / 2) / scale,
      state.y + (y - this.canvas.clientHeight / 2) / scale,
    ];
  }

  look(x, y, zoom, { tell = true } = {}) {
    const [height, width] = this.base.shape;
    const largest = Math.max(8, 40 / this.fit);
    this.state.zoom = Math.min(Math.max(zoom, 1), largest);
    const room = (side, shown) => (shown >= side ? [side / 2, side / 2] : [shown / 2, side - shown / 2]);
    const scale = this.scale;
    const [left, right] = room(width, this.canvas.clientWidth / scale);
    const [top, bottom] = room(height, this.canvas.clientHeight / scale);
    this.state.x = Math.min(Math.max(x, left), right);
    this.state.y = Math.min(Math.max(y, top), bottom);
    // At the whole field a finger scrolls the page; further in it moves the field.
    this.canvas.style.touchAction = this.state.zoom > 1.001 ? "none" : "pan-y";
    if (tell) this.tellLinked();
    this.drawSoon();
    this.writeAddressSoon();
  }

  zoomBy(factor, x = this.canvas.clientWidth / 2, y = this.canvas.clientHeight / 2) {
    const [fx, fy] = this.toField(x, y);
    const before = this.state.zoom;
    const [height, width] = [this.canvas.clientHeight, this.canvas.clientWidth];
    const zoom = Math.max(before * factor, 1);
    const scale = this.fit * zoom;
    this.look(fx - (x - width / 2) / scale, fy - (y - height / 2) / scale, zoom);
  }

  whole() {
    this.look(this.base.shape[1] / 2, this.base.shape[0] / 2, 1);
  }

  bringIntoView(label) {
    const { step } = this.found;
    const box = this.found.boxes[label];
    const [x, y] = [((box.left + box.right) * step) / 2, ((box.top + box.bottom) * step) / 2];
    const [left, top] = this.toField(0, 0);
    const [right, bottom] = this.toField(this.canvas.clientWidth, this.canvas.clientHeight);
    if (x < left || x > right || y < top || y > bottom) this.look(x, y, this.state.zoom);
  }

  goTo(label) {
    const { step } = this.found;
    const box = this.found.boxes[label];
    const across = Math.max(box.right - box.left, box.bottom - box.top) * step;
    const [height, width] = this.base.shape;
    const zoom = Math.min(width, height) / (4 * Math.max(across, 6));
    this.look(((box.left + box.right) * step) / 2, ((box.top + box.bottom) * step) / 2, zoom);
  }

  tellLinked() {
    for (const other of linked.get(this.options.group) ?? []) {
      if (other === this) continue;
      const um = this.base.pixel / other.base.pixel;
      const zoom = (this.scale / um) * (1 / other.fit);
      other.look(this.state.x * um, this.state.y * um, zoom, { tell: false });
    }
  }

  watch() {
    const { canvas } = this;
    canvas.addEventListener("pointerdown", (event) => this.down(event));
    canvas.addEventListener("pointermove", (event) => this.move(event));
    for (const end of ["pointerup", "pointercancel"])
      canvas.addEventListener(end, (event) => this.up(event));
    canvas.addEventListener("pointerleave", () => this.over(0));
    canvas.addEventListener("dblclick", (event) => {
      event.preventDefault();
      this.zoomBy(2, event.offsetX, event.offsetY);
    });
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    canvas.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.look(this.state.x, this.state.y, this.state.zoom, { tell: false })).observe(
      this.stage,
    );
    if (this.options.permalink)
      window.addEventListener("hashchange", () => {
        if (this.readAddress()) {
          this.showRegion();
          this.showControls();
          this.drawSoon();
        }
      });
    if (this.options.group) {
      if (!linked.has(this.options.group)) linked.set(this.options.group, new Set());
      linked.get(this.options.group).add(this);
    }
  }

  down(event) {
    this.canvas.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, { x: event.offsetX, y: event.offsetY });
    this.travelled = this.pointers.size > 1 ? FINGER : 0;
  }

  move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) {
      if (event.pointerType !== "touch") this.over(this.regionAt(event), event);
      return;
    }
    const now = { x: event.offsetX, y: event.offsetY };
    const [dx, dy] = [now.x - before.x, now.y - before.y];
    this.travelled += Math.abs(dx) + Math.abs(dy);
    if (this.pointers.size === 2) {
      const other = [...this.pointers.entries()].find(([id]) => id !== event.pointerId)[1];
      const apart = (one) => Math.hypot(one.x - other.x, one.y - other.y) || 1;
      this.zoomBy(apart(now) / apart(before), (now.x + other.x) / 2, (now.y + other.y) / 2);
      this.look(this.state.x - dx / 2 / this.scale, this.state.y - dy / 2 / this.scale, this.state.zoom);
    } else if (this.travelled >= FINGER) {
      this.look(this.state.x - dx / this.scale, this.state.y - dy / this.scale, this.state.zoom);
    }
    this.pointers.set(event.pointerId, now);
  }

  up(event) {
    const tapped =
      event.type === "pointerup" && this.pointers.size === 1 && this.travelled < FINGER;
    this.pointers.delete(event.pointerId);
    if (tapped) this.pick(this.regionAt(event));
  }

  wheel(event) {
    if (document.activeElement !== this.canvas && !event.ctrlKey && !event.metaKey) {
      this.hint.textContent = "Click the picture first; then the wheel zooms.";
      this.hint.hidden = false;
      clearTimeout(this.hintTimer);
      this.hintTimer = setTimeout(() => (this.hint.hidden = true), 1500);
      return;
    }
    event.preventDefault();
    this.hint.hidden = true;
    this.zoomBy(Math.exp(-event.deltaY / 400), event.offsetX, event.offsetY);
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { state, scale, canvas } = this;
    const far = (0.12 * Math.min(canvas.clientWidth, canvas.clientHeight)) / scale;
    const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const acts = {
      "+": () => this.zoomBy(1.4),
      "=": () => this.zoomBy(1.4),
      "-": () => this.zoomBy(1 / 1.4),
      0: () => this.whole(),
      n: () => this.step(1),
      p: () => this.step(-1),
      enter: () => state.pick && this.goTo(state.pick),
      escape: () => this.pick(0),
    };
    const act = acts[event.key.toLowerCase()];
    if (moves[event.key]) {
      const [dx, dy] = moves[event.key];
      this.look(state.x + dx * far, state.y + dy * far, state.zoom);
    } else if (act) act();
    else return;
    event.preventDefault();
  }

  regionAt(event) {
    return this.found.at(...this.toField(event.offsetX, event.offsetY));
  }

  over(label, event) {
    if (event) this.showReadout(...this.toField(event.offsetX, event.offsetY));
    else this.readout.textContent = "";
    if (label === this.hover) return;
    this.hover = label;
    this.showRegion();
    this.drawSoon();
  }

  showReadout(x, y) {
    const [height, width] = this.base.shape;
    if (x < 0 || y < 0 || x >= width || y >= height) {
      this.readout.textContent = "";
      return;
    }
    const { pixel, unit } = this.base;
    const told = [`x ${figures(x * pixel)}, y ${figures(y * pixel)} ${unit}`];
    for (const wanted of [this.state.under, this.state.mix > 0 ? this.state.over : ""]) {
      const key = this.planes.has(wanted) ? this.drawnKey(wanted) : wanted;
      const one = this.painted.get(`${key} ${this.sideFor(key)}`);
      if (!one || !one.values) continue;
      const [left, top, w, h] = this.planes.get(key).box;
      const column = Math.floor(((x - left) / w) * one.columns);
      const row = Math.floor(((y - top) / h) * one.rows);
      if (column < 0 || row < 0 || column >= one.columns || row >= one.rows) continue;
      const value = one.values[row * one.columns + column];
      const plane = this.planes.get(key);
      if (!Number.isNaN(value)) told.push(`${plane.label} ${figures(value)} ${plane.unit}`.trim());
    }
    this.readout.textContent = told.join(" · ");
  }

  // ---------------------------------------------------------------- drawing

  drawSoon() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.draw();
    });
  }

  sideFor(key) {
    return this.planes.get(key)?.counts ? this.state.sum : 1;
  }

  /** Return a picture as a canvas, made on first use; nothing while it is being unpacked. */
  picture(key) {
    const side = this.sideFor(key);
    const name = `${key} ${side}`;
    const ready = this.painted.get(name);
    if (ready) return ready.canvas ? ready : null;
    const begun = {};
    this.painted.set(name, begun);
    this.paint(this.planes.get(key), side).then((one) => {
      if (this.painted.get(name) === begun) this.painted.set(name, one); // else cleared meanwhile
      this.drawSoon();
    });
    return null;
  }

  /** Return the key of the picture that is drawn: the finer one where single pixels show. */
  drawnKey(key) {
    const finer = `${key} finer`;
    if (!this.planes.has(finer) || this.sideFor(key) > 1 || this.scale < FINER) return key;
    return this.picture(finer) ? finer : key;
  }

  /** Return the values of a picture, and where its colours begin and end; worked out once. */
  measured(plane, side) {
    const name = `${plane.key} ${side}`;
    if (!this.measures.has(name)) this.measures.set(name, this.measure(plane, side));
    return this.measures.get(name);
  }

  async measure(plane, side) {
    const bytes = await inflate(plane.data);
    const [rows, columns] = plane.shape;
    const all = new Float32Array(bytes.length);
    for (let i = 0; i < bytes.length; i++)
      all[i] = plane.missing && bytes[i] === 0 ? NaN : plane.offset + plane.step * bytes[i];
    const found = squares(all, columns, rows, side);
    const finite = Float32Array.from(found.values.filter((v) => !Number.isNaN(v))).sort();
    const low = plane.from_zero ? 0 : quantile(finite, 0.003);
    return { ...found, low, high: Math.max(quantile(finite, 0.998), low + 1e-9) };
  }

  /** Return where the colours of a picture begin and end.
   *
   * Alike in viewers side by side where the unit has a meaning beyond one map: counts go with the
   * time spent on it, grey of an electron image with the knobs.
   */
  async ends(plane, side) {
    const own = !plane.unit || plane.unit.includes("counts");
    const beside = own ? [] : [...(linked.get(this.options.group) ?? [])];
    const alike = beside.filter((one) => one.planes.get(plane.key)?.unit === plane.unit);
    const all = alike.map((one) => one.measured(one.planes.get(plane.key), side));
    const found = await Promise.all([this.measured(plane, side), ...all]);
    return [Math.min(...found.map((one) => one.low)), Math.max(...found.map((one) => one.high))];
  }

  async paint(plane, side) {
    const { values, width, height } = await this.measured(plane, side);
    const [low, high] = await this.ends(plane, side);
    const colours = ramp(this.base.ramps[plane.ramp]);
    const canvas = make("canvas", { width, height });
    const context = canvas.getContext("2d");
    const image = context.createImageData(width, height);
    for (let i = 0; i < values.length; i++) {
      if (Number.isNaN(values[i])) continue;
      const part = Math.min(Math.max((values[i] - low) / (high - low), 0), 1);
      const at = 3 * Math.round(255 * part);
      image.data.set([colours[at], colours[at + 1], colours[at + 2], 255], 4 * i);
    }
    context.putImageData(image, 0, 0);
    return { canvas, values, rows: height, columns: width, low, high };
  }

  /** Return a mask as a canvas; its stripes tell it from others without colour. */
  mask(mask) {
    const name = `mask ${mask.key}`;
    const ready = this.painted.get(name);
    if (ready) return ready.canvas ?? null;
    this.painted.set(name, {});
    inflate(mask.data).then((bits) => {
      const [height, width] = mask.shape;
      const canvas = make("canvas", { width, height });
      const context = canvas.getContext("2d");
      const image = context.createImageData(width, height);
      const colour = [1, 3, 5].map((at) => parseInt(mask.colour.slice(at, at + 2), 16));
      const stripes = { rising: (x, y) => (x + y) % 6 < 3, falling: (x, y) => (x - y + 6e5) % 6 < 3 };
      const drawn = stripes[mask.stripes] ?? (() => true);
      for (let y = 0, i = 0; y < height; y++)
        for (let x = 0; x < width; x++, i++)
          if (bits[i >> 3] & (128 >> (i & 7)))
            image.data.set([...colour, drawn(x, y) ? 255 : 70], 4 * i);
      context.putImageData(image, 0, 0);
      this.painted.set(name, { canvas });
      this.drawSoon();
    });
    return null;
  }

  draw() {
    const { canvas, state } = this;
    const dense = window.devicePixelRatio || 1;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    if (!width || !height) return;
    const [w, h] = [Math.round(width * dense), Math.round(height * dense)];
    if (canvas.width !== w || canvas.height !== h) Object.assign(canvas, { width: w, height: h });
    const context = canvas.getContext("2d");
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#23272e";
    context.fillRect(0, 0, w, h);
    const scale = this.scale * dense;
    context.setTransform(scale, 0, 0, scale, w / 2 - state.x * scale, h / 2 - state.y * scale);
    const shown = [[state.under, 1]];
    if (state.over) shown.push([state.over, state.mix]);
    for (const [wanted, alpha] of shown) {
      const key = this.planes.has(wanted) ? this.drawnKey(wanted) : wanted;
      const one = this.planes.has(key) ? this.picture(key) : null;
      if (!one) continue;
      context.globalAlpha = alpha;
      const [left, top, across, down] = this.planes.get(key).box;
      context.imageSmoothingEnabled = (across / one.columns) * scale < 1;
      context.drawImage(one.canvas, left, top, across, down);
    }
    context.imageSmoothingEnabled = false;
    context.globalAlpha = state.strength;
    for (const mask of this.base.masks) {
      const one = state.marks.has(mask.key) ? this.mask(mask) : null;
      if (one) context.drawImage(one, ...mask.box);
    }
    context.globalAlpha = Math.min(1, 0.3 + state.strength);
    this.drawOutlines(context, dense);
    context.globalAlpha = 1;
    this.drawChosen(context, scale, dense);
    context.setTransform(dense, 0, 0, dense, 0, 0);
    this.drawScaleBar(context, width, height);
    this.drawScatter(dense);
    this.showRamps();
    this.root.dataset.drawn = String(1 + Number(this.root.dataset.drawn ?? 0));
  }

  /**
   * Draw the outlines pixel by pixel of the screen, where labels beside each other differ. A path of
   * ten thousand edges takes 85 ms to be stroked where no graphics processor helps, this 10.
   */
  drawOutlines(context, dense) {
    const { found, state } = this;
    const { width: w, height: h } = this.canvas;
    const kinds = ["droplets", "streaks"].filter((kind) => state.marks.has(kind));
    if (!kinds.length) return;
    const per = this.scale * dense * found.step;
    const along = (n, middle, most) =>
      Int32Array.from({ length: n }, (_, i) => {
        const at = Math.floor((i + 0.5 - n / 2) / per + middle / found.step);
        return at < 0 || at >= most ? -1 : at;
      });
    const [columns, rows] = [along(w, state.x, found.width), along(h, state.y, found.height)];
    const last = kinds.includes("droplets") ? found.data.n_droplets : 0;
    const most = kinds.includes("streaks") ? Infinity : last;
    const least = kinds.includes("droplets") ? 1 : found.data.n_droplets + 1;
    const drawn = (label) => label >= least && label <= most;
    const edges = []; // place, and whether a streak ends there
    const { labels } = found;
    for (let j = 1; j < h; j++) {
      const [above, row] = [rows[j - 1] * found.width, rows[j] * found.width];
      if (rows[j] < 0) continue;
      for (let i = 1; i < w; i++) {
        const column = columns[i];
        if (column < 0) continue;
        const label = labels[row + column];
        let other = label;
        if (columns[i - 1] >= 0) other = labels[row + columns[i - 1]];
        if (other === label && above >= 0) other = labels[above + column];
        if (other === label || !(drawn(label) || drawn(other))) continue;
        edges.push(j * w + i, Math.max(drawn(label) ? label : 0, drawn(other) ? other : 0) > last);
      }
    }
    const image = new ImageData(w, h);
    const paint = new Uint32Array(image.data.buffer);
    // The edge lies before the pixel.
    const dot = (place, reach, colour) => {
      const [x, y] = [place % w, Math.floor(place / w)];
      for (let b = Math.max(y - reach, 0); b < Math.min(y + reach, h); b++)
        paint.fill(colour, b * w + Math.max(x - reach, 0), b * w + Math.min(x + reach, w));
    };
    const half = Math.max(1, Math.round(0.75 * dense));
    // A dark seam sets the bright line off from bright metal, in grey print too.
    for (let k = 0; k < edges.length; k += 2) dot(edges[k], 2 * half, 0xbf000000);
    const colours = found.data.colours.map((hex) => {
      const [red, green, blue] = [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
      return (0xff000000 | (blue << 16) | (green << 8) | red) >>> 0;
    });
    for (let k = 0; k < edges.length; k += 2) {
      const [place, streak] = [edges[k], edges[k + 1]];
      // Dashed, along whichever way it runs.
      const dash = ((place % w) + 3 * Math.floor(place / w)) % (9 * dense) < 6 * dense;
      if (!streak || dash) dot(place, half, colours[streak ? 1 : 0]);
    }
    this.lines ??= make("canvas");
    Object.assign(this.lines, { width: w, height: h });
    this.lines.getContext("2d").putImageData(image, 0, 0);
    context.save();
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.drawImage(this.lines, 0, 0);
    context.restore();
  }

  drawChosen(context, scale, dense) {
    const { found, state } = this;
    const { step } = found;
    const thin = dense / (scale * step);
    context.save();
    context.scale(step, step);
    const ring = (label, colour, width) => {
      const path = found.outline(label);
      context.strokeStyle = "rgba(0,0,0,.85)";
      context.lineWidth = (width + 2) * thin;
      context.stroke(path);
      context.strokeStyle = colour;
      context.lineWidth = width * thin;
      context.stroke(path);
    };
    if (state.bin >= 0)
      found.bin.forEach((bin, i) => bin === state.bin && ring(i + 1, "#ffffff", 2));
    if (this.hover) ring(this.hover, "#ffffff", 2);
    if (state.pick) ring(state.pick, "#ffffff", 3.5);
    context.restore();
  }

  drawScaleBar(context, width, height) {
    const { pixel, unit } = this.base;
    const most = (width * 0.28 * pixel) / this.scale;
    const power = 10 ** Math.floor(Math.log10(most));
    const length = [5, 2, 1].find((n) => n * power <= most) * power;
    const across = (length / pixel) * this.scale;
    const nano = unit === "µm" && length < 1;
    const words = nano ? `${figures(length * 1000).replace(/\.0+$/, "")} nm` : `${Number(length.toPrecision(2))} ${unit}`;
    this.stage.dataset.scaleBar = words;
    context.font = "600 13px system-ui, sans-serif";
    const box = Math.max(across, context.measureText(words).width) + 16;
    const [x, y] = [width - box - 10, height - 44];
    context.fillStyle = "rgba(0,0,0,.66)";
    context.fillRect(x, y, box, 34);
    context.fillStyle = "#fff";
    context.textAlign = "center";
    context.fillText(words, x + box / 2, y + 15);
    context.fillRect(x + (box - across) / 2, y + 22, across, 4);
  }

  showRamps() {
    const { under, over, mix } = this.state;
    const known = [under, mix > 0 ? over : ""].filter((key) => this.planes.has(key));
    const shown = known.map((key) => this.drawnKey(key));
    const ready = shown.map((key) => this.painted.get(`${key} ${this.sideFor(key)}`));
    const text = JSON.stringify(shown.map((key, i) => [key, this.sideFor(key), ready[i]?.high]));
    if (text === this.rampText) return;
    this.rampText = text;
    this.ramps.replaceChildren(
      ...shown.map((key, i) => {
        const plane = this.planes.get(key);
        const bar = make("span", { className: "field-ramp" });
        bar.style.background = `linear-gradient(90deg, ${this.base.ramps[plane.ramp].join(", ")})`;
        const ends = plane.unit ? [figures(ready[i]?.low), figures(ready[i]?.high)] : ["dark", "bright"];
        const name = plane.about || plane.label;
        return make("p", {}, `${name} ${ends[0]} `, bar, ` ${ends[1]} ${plane.unit}`);
      }),
    );
  }

  // ---------------------------------------------------------------- composition

  scatterPlace(i) {
    const { scatter, diameters } = this.found.data;
    const [width, height] = [this.scatter.clientWidth, this.scatter.clientHeight];
    const x = Math.log(diameters[i] / scatter.low) / Math.log(scatter.high / scatter.low);
    return [6 + x * (width - 12), this.scatterHeight(scatter.share[i])];
  }

  /** Return where a share stands; the axis goes from zero to the data's top. */
  scatterHeight(share) {
    const height = this.scatter.clientHeight;
    return height - 6 - Math.min(share / this.found.data.scatter.top, 1) * (height - 12);
  }

  drawScatter(dense) {
    const { data } = this.found;
    const { scatter: plot, state } = this;
    if (!data.scatter || !plot.clientWidth) return;
    const [w, h] = [Math.round(plot.clientWidth * dense), Math.round(plot.clientHeight * dense)];
    if (plot.width !== w || plot.height !== h) Object.assign(plot, { width: w, height: h });
    const context = plot.getContext("2d");
    const ink = getComputedStyle(plot).color;
    context.setTransform(dense, 0, 0, dense, 0, 0);
    context.clearRect(0, 0, w, h);
    const { nominal } = data.scatter;
    if (nominal !== null) {
      // What the alloy as bought would give, from a film too thin to absorb to bulk metal.
      const [bottom, top] = nominal.map((share) => this.scatterHeight(share));
      context.fillStyle = ink;
      context.globalAlpha = 0.18;
      context.fillRect(0, top, plot.clientWidth, Math.max(bottom - top, 1));
      context.globalAlpha = 1;
      context.strokeStyle = ink;
      context.setLineDash([6, 3]);
      context.beginPath();
      for (const y of [bottom, top]) {
        context.moveTo(0, y);
        context.lineTo(plot.clientWidth, y);
      }
      context.stroke();
      context.setLineDash([]);
    }
    const dot = (i, size, colour) => {
      if (data.scatter.share[i] === null) return;
      const [x, y] = this.scatterPlace(i);
      context.beginPath();
      context.arc(x, y, size, 0, 7);
      context.fillStyle = colour;
      context.fill();
      context.strokeStyle = ink;
      context.lineWidth = 0.6;
      context.stroke();
    };
    for (let i = 0; i < data.n_droplets; i++)
      dot(i, 2.6, this.found.bin[i] === state.bin && state.bin >= 0 ? ink : data.colours[0]);
    for (const label of [this.hover, state.pick])
      if (label > 0 && label <= data.n_droplets) dot(label - 1, 6, data.colours[2]);
  }

  pickInScatter(event) {
    const { data } = this.found;
    let [best, nearest] = [-1, 14];
    for (let i = 0; i < data.n_droplets; i++) {
      if (data.scatter.share[i] === null) continue;
      const [x, y] = this.scatterPlace(i);
      const far = Math.hypot(x - event.offsetX, y - event.offsetY);
      if (far < nearest) [best, nearest] = [i, far];
    }
    this.pick(best + 1, { move: true });
  }

  // ---------------------------------------------------------------- the view in the address

  writeAddressSoon() {
    if (!this.options.permalink) return;
    clearTimeout(this.addressTimer);
    this.addressTimer = setTimeout(() => this.writeAddress(), 250);
  }

  writeAddress() {
    const { state } = this;
    const round = (value, digits) => Number(value.toFixed(digits));
    const parts = new URLSearchParams({
      field: [round(state.x, 1), round(state.y, 1), round(state.zoom, 3)].join("_"),
      under: state.under,
      over: state.over,
      mix: round(state.mix, 2),
      sum: state.sum,
      marks: [...state.marks].join("_"),
      pick: state.pick,
      bin: state.bin,
    });
    this.own = `#${parts}`;
    if (this.own !== location.hash && (this.wrote || this.touched())) {
      this.wrote = true;
      history.replaceState(history.state, "", this.own);
    }
  }

  /** Say whether anything differs from how the page opens: only then is the address written. */
  touched() {
    const { state, base } = this;
    const began = this.began ?? (this.began = this.own);
    return began !== this.own || state.pick > 0 || base.start.always === true;
  }

  readAddress() {
    const parts = new URLSearchParams(location.hash.slice(1));
    if (!parts.has("field") || location.hash === this.own) return false;
    const { state } = this;
    const number = (text, otherwise) => (Number.isFinite(Number(text)) && text !== null ? Number(text) : otherwise);
    for (const key of ["under", "over"]) {
      const value = parts.get(key);
      if (this.planes.has(value) || (key === "over" && value === "")) state[key] = value;
    }
    state.mix = Math.min(Math.max(number(parts.get("mix"), state.mix), 0), 1);
    state.sum = [1, 2, 4, 8, 16].includes(number(parts.get("sum"))) ? number(parts.get("sum")) : state.sum;
    state.marks = new Set((parts.get("marks") ?? "").split("_").filter(Boolean));
    const n = this.found.data.n_droplets + this.found.data.n_streaks;
    const pick = number(parts.get("pick"), 0);
    state.pick = Number.isInteger(pick) && pick > 0 && pick <= n ? pick : 0;
    const bin = number(parts.get("bin"), -1);
    state.bin = Number.isInteger(bin) && bin < this.found.counts.length ? bin : -1;
    const [x, y, zoom] = parts.get("field").split("_").map(Number);
    if ([x, y, zoom].every(Number.isFinite)) Object.assign(state, { x, y, zoom: Math.max(zoom, 1) });
    this.wrote = true;
    return true;
  }

  save() {
    this.canvas.toBlob((blob) => {
      const address = URL.createObjectURL(blob);
      make("a", { href: address, download: `${this.base.title.replace(/\W+/g, "_")}.png` }).click();
      setTimeout(() => URL.revokeObjectURL(address), 10000);
    });
  }
}

/** Put a viewer into an element and return it. */
export async function mount(root, base, found, options = {}) {
  const viewer = new Viewer(root, base, await Found.read(found), options);
  root.classList.add("field-live-now");
  return viewer;
}

/** For a notebook: a widget whose traits `base` and `found` hold the data as JSON. */
async function render({ model, el }) {
  el.classList.add("field");
  const viewer = await mount(el, JSON.parse(model.get("base")), JSON.parse(model.get("found")));
  model.on("change:found", () => {
    const found = JSON.parse(model.get("found"));
    viewer.update(found, found.masks);
  });
}

export default { render };

/** Show the viewers of each group on one scale, that of the one drawn largest, and colours too. */
function onOneScale() {
  for (const viewers of linked.values()) {
    const most = Math.max(...[...viewers].map((one) => one.scale / one.base.pixel));
    for (const one of viewers) one.painted.clear(); // painted before the others stood there
    for (const one of viewers)
      one.look(one.state.x, one.state.y, (most * one.base.pixel) / one.fit, { tell: false });
  }
}

// On a page: every place that waits for its viewer.
const mounted = [];
for (const place of document.querySelectorAll("[data-field]:not([data-taken])")) {
  place.dataset.taken = "yes";
  const data = JSON.parse(place.querySelector("script[type='application/json']").textContent);
  const options = { permalink: place.dataset.field === "first", group: place.dataset.group ?? "" };
  mounted.push(mount(place, data.base, data.found, options).catch((problem) => console.error(problem)));
}
Promise.all(mounted).then(onOneScale);

// A closed section would be missing in print.
window.addEventListener("beforeprint", () => {
  for (const part of document.querySelectorAll("details.part:not([open])")) {
    part.open = true;
    part.dataset.closed = "yes";
  }
});
window.addEventListener("afterprint", () => {
  for (const part of document.querySelectorAll("details.part[data-closed]")) {
    part.open = false;
    delete part.dataset.closed;
  }
});
