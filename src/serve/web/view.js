// The picture as tiles in halved sizes, moved and turned, with the marks drawn over it.
//
// Places are px of the picture, (0,0) the centre of its top-left pixel; `screen` means CSS px of the view.
import { draw, signShape } from "/common.js";

const KEPT = 240; // tiles in memory
const NEAR = 16; // screen px within which a click means a mark
const LARGEST = 48; // screen px a pixel may have

export class View {
  constructor(frame, canvas, over, events) {
    Object.assign(this, { frame, canvas, over, events });
    this.tiles = new Map();
    this.marks = [];
    this.picked = null;
    this.aim = false;
    this.size = null;
    this.pointers = new Map();
    new ResizeObserver(() => this.fitFrame()).observe(frame);
    this.listen();
  }

  open(about, path, turn) {
    this.size = { width: about.width_px, height: about.height_px, tile: about.tile_px, levels: about.levels };
    this.path = path;
    this.turn = turn;
    this.tiles.clear();
    this.fitHeight();
    this.fitFrame();
    this.showAll();
  }

  // ---- places ----

  screen(p) {
    const [c, s] = [[1, 0], [0, 1], [-1, 0], [0, -1]][this.turn];
    const x = (p[0] - this.at[0]) * this.scale;
    const y = (p[1] - this.at[1]) * this.scale;
    return [c * x - s * y + this.width / 2, s * x + c * y + this.height / 2];
  }

  place(q) {
    const [c, s] = [[1, 0], [0, 1], [-1, 0], [0, -1]][this.turn];
    const x = (q[0] - this.width / 2) / this.scale;
    const y = (q[1] - this.height / 2) / this.scale;
    return [c * x + s * y + this.at[0], -s * x + c * y + this.at[1]];
  }

  // As tall as the whole picture needs, within what the style sheet allows.
  fitHeight() {
    const [w, h] = this.turn % 2 ? [this.size.height, this.size.width] : [this.size.width, this.size.height];
    this.frame.style.setProperty("--tall", `${Math.round((1.12 * this.frame.clientWidth * h) / w)}px`);
  }

  fitFrame() {
    const box = this.frame.getBoundingClientRect();
    this.width = box.width;
    this.height = box.height;
    this.dense = window.devicePixelRatio || 1;
    this.canvas.width = Math.round(this.width * this.dense);
    this.canvas.height = Math.round(this.height * this.dense);
    if (this.size && this.scale) this.changed();
  }

  wholeScale() {
    const [w, h] = this.turn % 2 ? [this.size.height, this.size.width] : [this.size.width, this.size.height];
    return Math.min(this.width / w, this.height / h);
  }

  showAll() {
    if (!this.size) return;
    this.scale = this.wholeScale();
    this.at = [this.size.width / 2 - 0.5, this.size.height / 2 - 0.5];
    this.changed();
  }

  zoom(factor, q = [this.width / 2, this.height / 2]) {
    if (!this.size) return;
    const before = this.place(q);
    this.scale = Math.min(Math.max(this.scale * factor, 0.5 * this.wholeScale()), LARGEST);
    const now = this.place(q);
    this.at = [this.at[0] + before[0] - now[0], this.at[1] + before[1] - now[1]];
    this.changed();
  }

  move(dx, dy) {
    if (!this.size) return;
    const middle = this.place([this.width / 2 - dx, this.height / 2 - dy]);
    this.at = [
      Math.min(Math.max(middle[0], 0), this.size.width),
      Math.min(Math.max(middle[1], 0), this.size.height),
    ];
    this.changed();
  }

  pixels() {
    this.zoom(12 / this.scale);
  }

  quarter() {
    this.turn = (this.turn + 1) % 4;
    this.fitHeight();
    this.fitFrame();
    this.showAll();
  }

  goTo(p, scale) {
    this.at = [...p];
    if (scale) this.scale = scale;
    this.changed();
  }

  inSight(p) {
    const [x, y] = this.screen(p);
    return x > 20 && y > 20 && x < this.width - 20 && y < this.height - 20;
  }

  // ---- tiles ----

  tile(level, column, row, wanted) {
    const key = `${level}/${column}/${row}`;
    let held = this.tiles.get(key);
    if (!held && wanted) {
      const image = new Image();
      held = { image, ready: false };
      image.onload = () => {
        held.ready = true;
        this.changed();
      };
      image.src = `${this.path}/${key}`;
    }
    if (held) {
      this.tiles.delete(key); // the last used stands last
      this.tiles.set(key, held);
    }
    return held?.ready ? held.image : null;
  }

  forgetOld() {
    for (const key of this.tiles.keys()) {
      if (this.tiles.size <= KEPT) break;
      this.tiles.delete(key);
    }
  }

  drawLevel(context, level, wanted) {
    const step = 2 ** level;
    const side = this.size.tile * step;
    const corners = [[0, 0], [this.width, 0], [0, this.height], [this.width, this.height]].map((q) => this.place(q));
    const least = (i) => Math.min(...corners.map((p) => p[i]));
    const most = (i) => Math.max(...corners.map((p) => p[i]));
    const first = [0, 1].map((i) => Math.max(0, Math.floor((least(i) + 0.5) / side)));
    const last = [
      Math.min(Math.ceil(this.size.width / side) - 1, Math.floor((most(0) + 0.5) / side)),
      Math.min(Math.ceil(this.size.height / side) - 1, Math.floor((most(1) + 0.5) / side)),
    ];
    if ((last[0] - first[0] + 1) * (last[1] - first[1] + 1) > KEPT / 2) return;
    for (let row = first[1]; row <= last[1]; row++)
      for (let column = first[0]; column <= last[0]; column++) {
        const image = this.tile(level, column, row, wanted);
        if (image)
          context.drawImage(image, column * side - 0.5, row * side - 0.5, image.naturalWidth * step, image.naturalHeight * step);
      }
  }

  drawPicture() {
    const context = this.canvas.getContext("2d");
    const [c, s] = [[1, 0], [0, 1], [-1, 0], [0, -1]][this.turn];
    const k = this.scale * this.dense;
    const top = this.size.levels - 1;
    const level = Math.min(Math.max(Math.floor(Math.log2(1 / k) + 0.25), 0), top);
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, this.canvas.width, this.canvas.height);
    context.translate(this.canvas.width / 2, this.canvas.height / 2);
    context.transform(c * k, s * k, -s * k, c * k, 0, 0);
    context.translate(-this.at[0], -this.at[1]);
    context.imageSmoothingEnabled = k < 3;
    for (let l = top; l >= level; l--) this.drawLevel(context, l, l === level || l === top);
    this.forgetOld();
  }

  // ---- marks ----

  // Each: {key, label, verdict, heading, a, b, centre, stray, missing}
  setMarks(marks) {
    this.marks = marks;
    this.over.replaceChildren(
      ...marks.map((mark) => {
        mark.group = draw("g", { class: `on-picture ${mark.stray ? "stray" : mark.verdict}` });
        mark.lines = [0, 1, 2, 3].map((i) => {
          const line = draw("line", { class: ["tick", "tick", "flank", "flank"][i] });
          mark.group.append(line);
          return line;
        });
        mark.name = draw("g", { class: "name" });
        if (mark.label) {
          const words = draw("text", { y: -14, "text-anchor": "middle" });
          words.textContent = mark.label;
          mark.name.append(words);
        }
        if (mark.verdict && !mark.stray && mark.label !== "nut") mark.name.append(signShape(mark.verdict, 0, -4, 5, mark.heading));
        mark.group.append(mark.name);
        return mark.group;
      }),
      (this.cross = draw("path", { class: "aim" })),
    );
    this.changed();
  }

  pick(key) {
    this.picked = key;
    this.changed();
  }

  static set(line, a, b) {
    line.setAttribute("x1", a[0].toFixed(1));
    line.setAttribute("y1", a[1].toFixed(1));
    line.setAttribute("x2", b[0].toFixed(1));
    line.setAttribute("y2", b[1].toFixed(1));
  }

  placeMark(mark, lastName) {
    const a = this.screen(mark.a);
    const b = this.screen(mark.b);
    const length = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
    const [dx, dy] = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    const along = (p, d, n = 0) => [p[0] + dx * d - dy * n, p[1] + dy * d + dx * n];
    View.set(mark.lines[0], along(a, -2), along(a, -12));
    View.set(mark.lines[1], along(b, 2), along(b, 12));
    const picked = mark.key === this.picked;
    mark.group.classList.toggle("picked", picked);
    const beside = 0.5 * (mark.width_px || 4) * this.scale + 6;
    if (!picked && (mark.missing || mark.stray)) {
      View.set(mark.lines[2], a, b);
      View.set(mark.lines[3], a, a);
    } else {
      View.set(mark.lines[2], along(a, 0, beside), along(b, 0, beside));
      View.set(mark.lines[3], along(a, 0, -beside), along(b, 0, -beside));
    }
    // the name stands at that end which is higher on the screen, or further left
    const upper = a[1] < b[1] - 1 || (Math.abs(a[1] - b[1]) <= 1 && a[0] < b[0]);
    const end = upper ? along(a, -18) : along(b, 18);
    const sideways = Math.abs(dx) > Math.abs(dy);
    const room = Math.hypot(end[0] - lastName[0], end[1] - lastName[1]);
    const shown = picked || room > (sideways ? 24 : 17);
    mark.name.setAttribute("transform", `translate(${end[0].toFixed(1)} ${(end[1] + (sideways ? 8 : 0)).toFixed(1)})`);
    mark.name.style.display = shown ? "" : "none";
    return shown && !mark.stray ? end : lastName;
  }

  placeMarks() {
    let last = [-1e9, -1e9];
    for (const mark of this.marks) last = this.placeMark(mark, last);
    if (this.cross) {
      const [x, y] = [this.width / 2, this.height / 2];
      this.cross.setAttribute("d", this.aim ? `M${x - 26} ${y}H${x - 6}M${x + 6} ${y}H${x + 26}M${x} ${y - 26}V${y - 6}M${x} ${y + 6}V${y + 26}` : "");
    }
  }

  changed() {
    if (this.pending) return;
    this.pending = requestAnimationFrame(() => {
      this.pending = 0;
      if (!this.size || !this.width) return;
      this.drawPicture();
      this.placeMarks();
    });
  }

  nearest(q) {
    let best = null;
    let least = NEAR;
    for (const mark of this.marks) {
      const a = this.screen(mark.a);
      const b = this.screen(mark.b);
      const length2 = (b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2 || 1;
      const t = Math.min(Math.max(((q[0] - a[0]) * (b[0] - a[0]) + (q[1] - a[1]) * (b[1] - a[1])) / length2, -0.1), 1.1);
      const distance = Math.hypot(a[0] + t * (b[0] - a[0]) - q[0], a[1] + t * (b[1] - a[1]) - q[1]);
      if (distance < least) {
        least = distance;
        best = mark;
      }
    }
    return best;
  }

  // ---- hands ----

  listen() {
    const f = this.frame;
    const at = (event) => {
      const box = f.getBoundingClientRect();
      return [event.clientX - box.left, event.clientY - box.top];
    };
    f.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(Math.exp(-0.0016 * event.deltaY * (event.deltaMode ? 30 : 1)), at(event));
    }, { passive: false });
    f.addEventListener("pointerdown", (event) => {
      f.setPointerCapture(event.pointerId);
      this.pointers.set(event.pointerId, at(event));
      if (this.pointers.size === 1) this.moved = 0;
    });
    f.addEventListener("pointermove", (event) => {
      const before = this.pointers.get(event.pointerId);
      if (!before) return;
      const now = at(event);
      const others = [...this.pointers].filter(([id]) => id !== event.pointerId);
      if (others.length) {
        const other = others[0][1];
        const spread = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
        if (spread(before) > 0) this.zoom(spread(now) / spread(before), [(now[0] + other[0]) / 2, (now[1] + other[1]) / 2]);
        this.moved = 99;
      } else {
        this.moved += Math.hypot(now[0] - before[0], now[1] - before[1]);
        if (this.moved > 4) this.move(now[0] - before[0], now[1] - before[1]);
      }
      this.pointers.set(event.pointerId, now);
    });
    f.addEventListener("pointerup", (event) => {
      const q = at(event);
      if (this.pointers.size === 1 && this.moved <= 4 && this.size) this.events.click(this.place(q), this.nearest(q));
      this.pointers.delete(event.pointerId);
    });
    f.addEventListener("pointercancel", (event) => this.pointers.delete(event.pointerId));
    f.addEventListener("dblclick", (event) => this.zoom(2.5, at(event)));
  }
}
