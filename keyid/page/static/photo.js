// The photo on its canvas, and what was found drawn over it: to move, to make larger, to touch.
//
// All places are pixels of the upright photo; pixel (0, 0) is the centre of the top-left one.  The view is a turn by
// `angle`, a `zoom` (screen pixels a photo pixel), and the photo's place `at` that is in the middle of the screen.

const SVG = "http://www.w3.org/2000/svg";
const NAMES = {
  reference: "what the scale is from", key: "key, roughly", edges: "edges", stop: "stop", tip: "tip", root: "roots",
};
const TAP_PX = 8; // a finger that moves less is a touch
const NEAR_PX = 34; // a touch that near to a mark means it: about a finger's width
const STEP_PX = 60; // of an arrow key
const ZOOM_STEP = 1.4;
const SMOOTH_BELOW = 4; // larger pixels are shown as squares
const TOOLS_PX = 54; // of the buttons at the bottom, kept free
const LABELS_PX = 90; // of the words above and below the blade
const OUT_PX = 30; // a mark further out of the picture has no words in it
const LETTER_PX = 10; // of a label, about
const FEW = 0.45; // below that zoom the picture made smaller before is drawn, which is faster and has no moiré

export class PhotoView {
  constructor(box, { touched }) {
    this.box = box;
    this.canvas = box.querySelector("canvas");
    this.svg = box.querySelector("svg");
    this.touched = touched;
    this.size = null; // of the photo
    this.marks = [];
    this.chosen = 0;
    this.angle = 0;
    this.zoom = 1;
    this.rem = 1;
    this.at = [0, 0];
    this.fingers = new Map();
    this.moved = 0;
    new ResizeObserver(() => this.resized()).observe(box);
    this.listen();
  }

  async load(address, size) {
    this.size ||= size;
    const answer = await fetch(address);
    if (!answer.ok) return;
    const picture = await createImageBitmap(await answer.blob());
    const few = { resizeWidth: Math.max(1, Math.round(picture.width / 3)), resizeQuality: "high" };
    const small = await createImageBitmap(picture, few);
    this.close(); // the one before is drawn until this one is there
    [this.picture, this.small, this.size] = [picture, small, size];
    this.share = picture.width / size[0]; // the picture may have fewer pixels than the photo
    this.whole();
  }

  close() {
    this.picture?.close();
    this.small?.close();
    this.picture = this.small = null;
  }

  clear() {
    this.close();
    this.marks = [];
    this.draw();
  }

  // What is shown

  resized() {
    const ratio = window.devicePixelRatio || 1;
    this.wide = this.box.clientWidth;
    this.high = this.box.clientHeight;
    this.rem = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16; // larger on large screens
    this.canvas.width = Math.round(this.wide * ratio);
    this.canvas.height = Math.round(this.high * ratio);
    if (this.fitted) this.fitted();
    this.draw();
  }

  whole() {
    if (!this.size) return;
    this.angle = 0;
    this.zoom = Math.min(this.wide / this.size[0], (this.high - TOOLS_PX) / this.size[1]);
    this.at = [(this.size[0] - 1) / 2, (this.size[1] - 1) / 2 + TOOLS_PX / 2 / this.zoom];
    this.fitted = () => this.whole();
    this.draw();
  }

  // The blade level, the tip to the right.
  blade(view) {
    const [[x0, y0], [x1, y1]] = view.ends;
    const length = Math.hypot(x1 - x0, y1 - y0);
    this.angle = -Math.atan2(y1 - y0, x1 - x0);
    this.zoom = Math.min((this.wide - 70) / length, (this.high - TOOLS_PX - LABELS_PX) / view.width);
    this.at = [(x0 + x1) / 2, (y0 + y1) / 2];
    this.at = this.toPhoto([this.wide / 2, (this.high + TOOLS_PX) / 2]);
    this.fitted = () => this.blade(view);
    this.draw();
  }

  toScreen([x, y]) {
    const [cos, sin] = [Math.cos(this.angle) * this.zoom, Math.sin(this.angle) * this.zoom];
    const [dx, dy] = [x - this.at[0], y - this.at[1]];
    return [cos * dx - sin * dy + this.wide / 2, sin * dx + cos * dy + this.high / 2];
  }

  toPhoto([x, y]) {
    const [cos, sin] = [Math.cos(this.angle) / this.zoom, Math.sin(this.angle) / this.zoom];
    const [dx, dy] = [x - this.wide / 2, y - this.high / 2];
    return [cos * dx + sin * dy + this.at[0], -sin * dx + cos * dy + this.at[1]];
  }

  draw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.drawPhoto();
      this.drawMarks();
      this.box.dataset.view = [this.angle, this.zoom, ...this.at].map((v) => v.toFixed(5)).join(" ");
    });
  }

  drawPhoto() {
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    if (!this.picture) return;
    const ratio = this.canvas.width / this.wide;
    const few = this.zoom * ratio < FEW * this.share;
    const [cos, sin] = [Math.cos(this.angle) * this.zoom * ratio, Math.sin(this.angle) * this.zoom * ratio];
    const [x, y] = this.toScreen([-0.5, -0.5]); // the picture's corner
    pen.setTransform(cos, sin, -sin, cos, x * ratio, y * ratio);
    pen.imageSmoothingEnabled = this.zoom * ratio < SMOOTH_BELOW;
    pen.drawImage(few ? this.small : this.picture, 0, 0, this.size[0], this.size[1]);
  }

  // Marks are drawn twice, dark and wide below, so that they are seen on any ground.
  drawMarks() {
    if (!this.wide || !this.size) return; // nothing is laid out yet
    const drawn = [];
    for (const width of [5, 2.2]) {
      for (const mark of this.marks) {
        const chosen = mark.cut && mark.cut === this.chosen;
        for (const line of mark.lines) {
          drawn.push(element("polyline", {
            points: line.map((place) => this.toScreen(place).map((v) => v.toFixed(1)).join(",")).join(" "),
            stroke: width === 5 ? "#101010" : chosen ? "#ffffff" : mark.colour,
            "stroke-width": (width + (chosen ? 2.5 : 0)) * this.rem,
            "data-kind": mark.kind,
          }));
        }
      }
    }
    for (const mark of this.marks) {
      if (!mark.label) continue;
      const line = mark.lines[0].slice(-2).map((place) => this.toScreen(place));
      const away = Math.hypot(line[1][0] - line[0][0], line[1][1] - line[0][1]) || 1;
      if (this.isOut(line[1])) continue; // words are moved in from the rim only, not from far away
      const along = [(line[1][0] - line[0][0]) / away, (line[1][1] - line[0][1]) / away];
      const half = (LETTER_PX * this.rem * mark.label.length) / 2 + 4;
      const out = 6 + half * Math.abs(along[0]) + 8 * Math.abs(along[1]);
      const text = element("text", {
        x: clamp(line[1][0] + out * along[0], half, this.wide - half).toFixed(1),
        y: clamp(line[1][1] + out * along[1], 12, this.high - 12).toFixed(1),
        class: mark.cut && mark.cut === this.chosen ? "chosen" : "",
      });
      text.textContent = mark.label;
      drawn.push(text);
    }
    drawn.push(...(this.pointing?.drawn() || []));
    this.svg.replaceChildren(...drawn);
  }

  show(marks) {
    this.marks = marks;
    this.draw();
  }

  choose(cut) {
    this.chosen = cut;
    const root = this.marks.find((mark) => mark.cut === cut);
    if (root) this.bringIn(middle(root.lines[0]));
    this.draw();
  }

  isOut([x, y]) {
    return x < -OUT_PX || y < -OUT_PX || x > this.wide + OUT_PX || y > this.high + OUT_PX;
  }

  // Moves a place into the picture, where it is out of it.
  bringIn(place) {
    const [x, y] = this.toScreen(place);
    if (x < 20 || y < 20 || x > this.wide - 20 || y > this.high - 20) this.at = place;
  }

  legend() {
    const kinds = new Map();
    for (const mark of this.marks) kinds.set(mark.kind, mark.colour);
    return [...kinds].map(([kind, colour]) => ({ colour, said: NAMES[kind] || kind }));
  }

  // Moving and making larger

  move(dx, dy) {
    const [x, y] = this.toPhoto([this.wide / 2 - dx, this.high / 2 - dy]);
    this.at = [clamp(x, 0, this.size[0]), clamp(y, 0, this.size[1])];
    this.fitted = null;
    this.draw();
  }

  zoomBy(factor, around = [this.wide / 2, this.high / 2]) {
    if (!this.size) return;
    const place = this.toPhoto(around);
    const least = 0.5 * Math.min(this.wide / this.size[0], this.high / this.size[1]);
    this.zoom = clamp(this.zoom * factor, least, 40);
    const after = this.toPhoto(around);
    this.at = [this.at[0] + place[0] - after[0], this.at[1] + place[1] - after[1]];
    this.fitted = null;
    this.draw();
  }

  listen() {
    const { box } = this;
    box.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoomBy(Math.exp(-event.deltaY / 500), this.place(event));
    }, { passive: false });
    box.addEventListener("pointerdown", (event) => this.down(event));
    box.addEventListener("pointermove", (event) => this.drag(event));
    for (const name of ["pointerup", "pointercancel"]) box.addEventListener(name, (event) => this.up(event));
    box.addEventListener("keydown", (event) => this.key(event));
  }

  place(event) {
    const box = this.box.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  down(event) {
    if (!this.size || event.target.closest("button")) return;
    this.box.setPointerCapture(event.pointerId);
    if (!this.fingers.size) this.moved = 0;
    this.fingers.set(event.pointerId, this.place(event));
    this.holds = this.fingers.size === 1 && this.pointing?.grab(this.place(event));
  }

  drag(event) {
    const before = this.fingers.get(event.pointerId);
    if (!before) return;
    const now = this.place(event);
    const other = [...this.fingers].find(([id]) => id !== event.pointerId)?.[1];
    this.fingers.set(event.pointerId, now);
    const step = [now[0] - before[0], now[1] - before[1]];
    this.moved += Math.hypot(...step);
    if (this.holds) this.pointing.drag(now);
    else if (other) {
      const [was, is] = [apart(before, other), apart(now, other)];
      this.move(step[0] / 2, step[1] / 2);
      if (was > 0) this.zoomBy(is / was, [(now[0] + other[0]) / 2, (now[1] + other[1]) / 2]);
    } else if (this.moved > TAP_PX) this.move(...step);
  }

  up(event) {
    if (!this.fingers.delete(event.pointerId)) return;
    if (this.holds) {
      this.holds = false;
      this.pointing.drop();
    } else if (event.type === "pointerup" && this.moved <= TAP_PX && !this.fingers.size) this.tap(this.place(event));
  }

  tap(place) {
    if (this.pointing?.what) return this.pointing.put(place);
    let [best, nearest] = [null, NEAR_PX];
    for (const mark of this.marks) {
      if (!mark.cut) continue;
      for (const point of mark.lines[0]) {
        const far = apart(this.toScreen(point), place);
        if (far < nearest) [best, nearest] = [mark.cut, far];
      }
    }
    if (best) this.touched(best);
  }

  key(event) {
    if (event.target !== this.box || event.ctrlKey || event.metaKey || event.altKey || !this.size) return;
    if (this.pointing?.key(event)) return event.preventDefault();
    const moves = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    if (moves[event.key]) this.move(...moves[event.key].map((v) => v * STEP_PX));
    else if (event.key === "+" || event.key === "=") this.zoomBy(ZOOM_STEP);
    else if (event.key === "-") this.zoomBy(1 / ZOOM_STEP);
    else return;
    event.preventDefault();
  }
}

export function element(name, attributes) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
export const apart = (one, other) => Math.hypot(one[0] - other[0], one[1] - other[1]);
const middle = (line) => line[Math.floor(line.length / 2)];
