// Pointing at what was missed: a handle on the photo, moved by finger, mouse or arrow keys, with a magnifier beside it.

import { apart, element } from "./photo.js";

const GRAB_PX = 40; // a finger that near to a handle takes it
const GLASS_PX = 132; // the magnifier, across
const GLASS_AWAY_PX = 96; // from the finger, so that the hand doesn't cover it
const GLASS_TIMES = 4; // larger than on the screen
const FAST_PX = 10; // photo pixels of an arrow key with Shift
export const HELP = {
  stop: "Put the mark where the shoulder's flat face meets the edge. No shoulder: on the tip.",
  tip: "Put the mark on the foremost metal of the blade.",
  key: "Touch the key that is meant.",
  reference: "Put the marks where the card's sides would meet. On a coin: on its rim.",
};

export class Pointing {
  constructor(view, { help, done }) {
    this.view = view;
    this.help = help;
    this.done = done; // called with what was pointed at and where
    this.what = null;
    this.places = []; // of the handles, in pixels of the photo
    this.held = -1;
    this.glass = document.createElement("canvas");
    this.glass.className = "glass";
    this.glass.width = this.glass.height = 2 * GLASS_PX;
    this.glass.hidden = true;
    view.box.append(this.glass);
    view.pointing = this;
  }

  begin(what, found) {
    this.what = what;
    this.places = what === "reference" ? (found || this.middle()) : found ? [found] : [];
    this.held = this.places.length ? 0 : -1;
    this.help.textContent = `${HELP[what]} Arrow keys: single pixels.`;
    for (const place of this.places) this.view.bringIn(place);
    this.view.box.focus();
    this.view.draw();
  }

  end() {
    this.what = null;
    this.glass.hidden = true;
    this.help.textContent = "";
    this.view.draw();
  }

  // Corners to begin with where no reference was found: a card in the middle of what is shown.
  middle() {
    const [wide, high] = [this.view.wide / 4, this.view.wide / 4 / 1.586];
    const [x, y] = [this.view.wide / 2, this.view.high / 2];
    return [[x - wide, y - high], [x + wide, y - high], [x + wide, y + high], [x - wide, y + high]]
      .map((place) => this.view.toPhoto(place));
  }

  // Fingers and mouse.  Returns whether the finger has a handle.
  grab(place) {
    if (!this.what) return false;
    let nearest = GRAB_PX;
    this.held = this.what === "reference" ? this.held : -1;
    let took = false;
    this.places.forEach((one, n) => {
      const far = apart(this.view.toScreen(one), place);
      if (far < nearest) [nearest, this.held, took] = [far, n, true];
    });
    if (took) {
      const at = this.view.toScreen(this.places[this.held]);
      this.off = [at[0] - place[0], at[1] - place[1]]; // the handle doesn't jump under the finger
      this.show(place);
    }
    return took;
  }

  drag(place) {
    this.places[this.held] = this.inside(this.view.toPhoto([place[0] + this.off[0], place[1] + this.off[1]]));
    this.show(place);
    this.view.draw();
  }

  drop() {
    this.glass.hidden = true;
    this.settle();
  }

  put(place) {
    const at = this.inside(this.view.toPhoto(place));
    if (this.what === "reference") this.places[this.nearest(place)] = at;
    else this.places = [at];
    this.held = Math.max(this.held, 0);
    this.view.draw();
    this.settle();
  }

  nearest(place) {
    const far = this.places.map((one) => apart(this.view.toScreen(one), place));
    return far.indexOf(Math.min(...far));
  }

  // Keys.  Returns whether the key was for a handle.
  key(event) {
    if (!this.what) return false;
    if (event.key === "Tab" && this.what === "reference" && this.held < 3 && !event.shiftKey) {
      this.held += 1;
      this.view.draw();
      return true;
    }
    if (event.key === "Escape") {
      this.end();
      this.done(null);
      return true;
    }
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const step = steps[event.key];
    if (!step) return false;
    if (this.held < 0) {
      this.places = [this.view.toPhoto([this.view.wide / 2, this.view.high / 2])];
      this.held = 0;
    }
    const far = (event.shiftKey ? FAST_PX : 1) * this.view.zoom;
    const [x, y] = this.view.toScreen(this.places[this.held]);
    this.places[this.held] = this.inside(this.view.toPhoto([x + far * step[0], y + far * step[1]]));
    this.show(this.view.toScreen(this.places[this.held]));
    this.view.draw();
    clearTimeout(this.resting);
    this.resting = setTimeout(() => this.drop(), 500);
    return true;
  }

  settle() {
    const places = this.places.map((place) => place.map((v) => Math.round(v * 10) / 10));
    this.done({ what: this.what, at: this.what === "reference" ? places : places[0] });
  }

  inside([x, y]) {
    const [wide, high] = this.view.size;
    return [Math.min(Math.max(x, 0), wide - 1), Math.min(Math.max(y, 0), high - 1)];
  }

  // What is drawn over the photo
  drawn() {
    if (!this.what) return [];
    const places = this.places.map((place) => this.view.toScreen(place));
    const made = [];
    if (this.what === "reference") {
      const points = places.map((place) => place.join(",")).join(" ");
      made.push(element("polygon", { points, stroke: "#101010", "stroke-width": 4 }));
      made.push(element("polygon", { points, stroke: "#ffffff", "stroke-width": 1.6, "stroke-dasharray": "6 5" }));
    }
    places.forEach(([x, y], n) => {
      for (const [stroke, width] of [["#101010", 6], [n === this.held ? "#ffffff" : "#c8ccd0", 2.5]]) {
        made.push(element("circle", { cx: x, cy: y, r: 15, stroke, "stroke-width": width }));
        made.push(element("path", { d: `M${x - 7} ${y}h14M${x} ${y - 7}v14`, stroke, "stroke-width": width / 2 }));
      }
    });
    return made;
  }

  // The magnifier: the photo around the handle, four times as large as on the screen.
  show(finger) {
    const { view, glass } = this;
    if (!view.picture) return;
    const pen = glass.getContext("2d");
    const zoom = Math.max(view.zoom * GLASS_TIMES, 2) * 2; // two canvas pixels a screen pixel
    const [x, y] = this.places[this.held];
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.fillStyle = "#14171a";
    pen.fillRect(0, 0, glass.width, glass.height);
    const [cos, sin] = [Math.cos(view.angle) * zoom, Math.sin(view.angle) * zoom];
    const [dx, dy] = [-0.5 - x, -0.5 - y];
    pen.setTransform(cos, sin, -sin, cos, GLASS_PX + cos * dx - sin * dy, GLASS_PX + sin * dx + cos * dy);
    pen.imageSmoothingEnabled = false;
    pen.drawImage(view.picture, 0, 0, view.size[0], view.size[1]);
    pen.setTransform(1, 0, 0, 1, 0, 0);
    for (const [style, width] of [["#101010", 5], ["#ffffff", 1.5]]) {
      pen.strokeStyle = style;
      pen.lineWidth = width;
      pen.beginPath();
      for (const [a, b] of [[0, GLASS_PX - 14], [GLASS_PX + 14, 2 * GLASS_PX]]) {
        pen.moveTo(a, GLASS_PX);
        pen.lineTo(b, GLASS_PX);
        pen.moveTo(GLASS_PX, a);
        pen.lineTo(GLASS_PX, b);
      }
      pen.stroke();
    }
    const half = GLASS_PX / 2;
    const above = finger[1] > GLASS_AWAY_PX + half;
    const left = above ? finger[0] - half : finger[0] + (finger[0] > view.wide / 2 ? -1 : 1) * GLASS_AWAY_PX - half;
    const top = above ? finger[1] - GLASS_AWAY_PX - half : finger[1] - half;
    glass.style.left = `${Math.min(Math.max(left, 2), view.wide - GLASS_PX - 2)}px`;
    glass.style.top = `${Math.min(Math.max(top, 2), view.high - GLASS_PX - 2)}px`;
    glass.hidden = false;
  }
}
