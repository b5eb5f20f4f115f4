// One key: its stages, its reading on the photo and in words, what is measured by hand, what is taken along.

import { PhotoView } from "./photo.js";
import { Pointing } from "./pointing.js";
import { ask, say, tell } from "./talk.js";

const UNUSED_MS = 30 * 60 * 1000; // as on the other side: then the key is forgotten
const PAUSE_MS = 350; // after the last letter of a value that is being typed
const FINISHED = { mm: /^\d+[.,]\d{2,}$/, thou: /^\d{3,}([.,]\d+)?$/ }; // as a caliper shows it

const byId = (id) => document.getElementById(id);
const id = byId("key").dataset.id;
const answer = byId("answer");
const photo = new PhotoView(byId("view"), { touched: choose });
const pointing = new Pointing(photo, { help: byId("help"), done: pointed });
let now = null;
let chosen = 0;
let leaving = false;
let looked = null; // which of several photos; null for the one that is shown first
let newest = 0; // of the questions asked while typing

const news = (seen) => `${id}/now?seen=${seen}${looked === null ? "" : `&photo=${looked}`}`;
async function send(place, what) {
  const next = await tell(`${id}/${place}`, looked === null ? what : { ...what, photo: looked });
  if (what.keep !== false) tabs.postMessage({ id }); // what is only being typed isn't told
  return next;
}

function show(next) {
  now = next;
  if (now.photo && photo.shown !== now.shown) {
    photo.shown = now.shown; // of several photos of one key another may be shown once it is read
    photo.load(`${id}/photo.jpg?photo=${now.number}`, now.photo).then(() => now.view && photo.blade(now.view));
  }
  const measuring = now.phase === "measuring";
  byId("key").dataset.phase = now.phase;
  fill("steps", now.steps);
  const unopened = !now.photo && !measuring; // no photo: nothing to see, to point at or to read again
  byId("steps").hidden = now.phase === "read" || unopened || (measuring && now.before);
  for (const part of ["answer", "more", "advice"]) fill(part, now[part]);
  if (byId("news").textContent !== now.line) byId("news").textContent = now.line; // read out by screen readers
  fill("values", now.confirm);
  fill("cuts", now.known);
  byId("confirm").hidden = byId("take").hidden = now.phase !== "read";
  byId("seen").hidden = unopened;
  byId("tell").hidden = byId("knowing").hidden = byId("point").hidden = unopened || (measuring && !now.before);
  if (byId("others")) byId("others").hidden = now.phase !== "read";
  byId("photos").hidden = !now.photos.length;
  byId("photos").replaceChildren(...now.photos.map(photoButton));
  byId("undo").disabled = !now.undo;
  byId("as-found").disabled = !now.as_found;
  photo.show(now.marks);
  byId("drawn").replaceChildren(...photo.legend().map(swatch));
  wanted();
  if (chosen) choose(chosen);
}

function fill(place, html) {
  const box = byId(place);
  if (box.dataset.html === html) return;
  const open = [...box.querySelectorAll("details")].map((one) => one.open);
  box.innerHTML = html; // made by keyid's templates, which show what others wrote as text
  box.dataset.html = html;
  box.querySelectorAll("details").forEach((one, n) => (one.open = open[n] || false));
}

// Of several photos of one key each can be looked at, and pointed at.
function photoButton(file, n) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "quiet";
  button.dataset.photo = n;
  button.setAttribute("aria-pressed", String(n === now.number));
  button.textContent = `${n + 1}: ${file}`;
  return button;
}

byId("photos").addEventListener("click", async (event) => {
  const button = event.target.closest("[data-photo]");
  if (!button) return;
  looked = Number(button.dataset.photo);
  pointing.end();
  pressed();
  try {
    show(await ask(news(-1)));
    byId("photos").querySelector(`[data-photo="${looked}"]`)?.focus();
  } catch (error) {
    failed(error);
  }
});

function swatch({ colour, said }) {
  const line = document.createElement("li");
  line.innerHTML = '<svg width="22" height="8" aria-hidden="true"><rect width="22" height="8" rx="3"/></svg>';
  line.querySelector("rect").setAttribute("fill", colour);
  line.append(said);
  return line;
}

// Follows the reading until it stands.
async function follow() {
  try {
    do {
      const before = now?.view;
      show(await ask(news(now ? now.version : -1)));
      if (now.view && !before && photo.picture) photo.blade(now.view);
    } while (now.phase === "measuring");
  } catch (error) {
    failed(error);
  }
}

function failed(error) {
  if (leaving) return; // what was still asked for is gone with the key
  if (error.status === 404 || error.status === 403) location.reload(); // to the page that says that the key is gone
  else say(error.message);
}

// The same key in other tabs of this browser: they follow what is done here.
const tabs = new BroadcastChannel("keyid");
tabs.addEventListener("message", ({ data }) => {
  if (data.id !== id) return;
  if (data.forgotten) location.reload();
  else ask(news(-1)).then(show).then(() => now.phase === "measuring" && follow()).catch(failed);
});

// Cuts: in words and on the photo

function choose(cut) {
  chosen = cut;
  photo.choose(cut);
  for (const button of answer.querySelectorAll("[data-cut]")) {
    button.setAttribute("aria-pressed", String(Number(button.dataset.cut) === cut));
  }
  for (const detail of answer.querySelectorAll("[data-detail]")) detail.hidden = Number(detail.dataset.detail) !== cut;
}

answer.addEventListener("click", (event) => {
  const button = event.target.closest("[data-cut]");
  if (button) choose(Number(button.dataset.cut));
});

byId("larger").addEventListener("click", () => photo.zoomBy(1.4));
byId("smaller").addEventListener("click", () => photo.zoomBy(1 / 1.4));
byId("whole").addEventListener("click", () => photo.whole());
byId("blade").addEventListener("click", () => now.view && photo.blade(now.view));
byId("view").addEventListener("keydown", (event) => {
  if (event.target !== byId("view") || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key.toLowerCase() === "w") photo.whole();
  if (event.key.toLowerCase() === "b" && now.view) photo.blade(now.view);
});

// Pointing at what was missed

function point(what) {
  const same = pointing.what === what;
  if (same) pointing.end();
  else pointing.begin(what, now.handles[what]);
  pressed();
}

function pressed() {
  for (const button of byId("point").querySelectorAll("[data-point]")) {
    button.setAttribute("aria-pressed", String(button.dataset.point === pointing.what));
  }
}

async function pointed(asked) {
  pressed();
  if (!asked) return;
  try {
    say("");
    show(await send("pointed", { photo: now.number, ...asked }));
    await follow();
  } catch (error) {
    failed(error);
  }
}

document.addEventListener("click", (event) => {
  const what = event.target.closest("[data-point]")?.dataset.point;
  if (what) point(what);
});
for (const what of ["undo", "as-found"]) {
  byId(what).addEventListener("click", () => {
    pointing.end();
    pointed({ what });
  });
}

// Confirming by caliper

const field = byId("field");
const typed = byId("typed");

function wanted() {
  if (!now.next) return;
  const { best, fields } = now.next;
  byId("wanted").textContent = best
    ? `Measure next the ${best.said}. ${best.why}.`
    : "No further hand measurement would tell much more. Any value can be checked here.";
  const names = fields.map(([name]) => name).join();
  if (field.dataset.names !== names) {
    field.replaceChildren(...fields.map(([name, said]) => new Option(said, name)));
    field.dataset.names = names;
  }
  if (best && !typed.value && document.activeElement !== field) field.value = best.field;
}

const unit = () => document.querySelector("input[name=unit]:checked").value;
let pausing = 0;

async function weigh(keep) {
  const mine = ++newest;
  const empty = !typed.value.trim();
  const value = { field: field.value, typed: typed.value, unit: unit(), keep };
  try {
    const next = await (empty ? ask(news(-1)) : send("values", value));
    if (mine !== newest) return; // something newer is being typed
    say("");
    if (keep) typed.value = "";
    show(next);
  } catch (error) {
    if (mine === newest) failed(error);
  }
}

typed.addEventListener("input", () => {
  clearTimeout(pausing);
  const finished = FINISHED[unit()].test(typed.value.trim()) || !typed.value.trim();
  if (finished) pausing = setTimeout(() => weigh(false), PAUSE_MS);
});
byId("typing").addEventListener("submit", (event) => {
  event.preventDefault();
  clearTimeout(pausing);
  weigh(true);
});
byId("values").addEventListener("click", async (event) => {
  const drop = event.target.closest("[data-drop]")?.dataset.drop;
  if (!drop) return;
  try {
    show(await send("values", { drop }));
  } catch (error) {
    failed(error);
  }
});

// Telling more of the photo, what goes on file, forgetting

byId("telling").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    say("");
    const told = ["coin", "reference", "paper", "bar"].map((name) => [name, byId(name).value]);
    show(await send("told", Object.fromEntries(told)));
    follow();
  } catch (error) {
    failed(error);
  }
});

// What is known of the key

const mostCodes = Number(byId("known").dataset.mostCodes);

async function know(codes) {
  const cuts = [...byId("cuts").querySelectorAll("select")].map((one) => [one.name, one.value]);
  const known = { cuts: Object.fromEntries(cuts), without_scale: byId("without_scale")?.checked || false };
  for (const name of ["blank", "thickness", "working_keys"]) known[name] = byId(name).value;
  if (codes !== undefined) known.codes = codes; // untold: the list before stays
  try {
    say("");
    show(await send("known", known));
    byId("codes").value = "";
    follow();
  } catch (error) {
    failed(error);
  }
}

byId("known").addEventListener("submit", (event) => {
  event.preventDefault();
  know(byId("codes").value.trim() ? byId("codes").value : undefined);
});
byId("cuts").addEventListener("click", (event) => {
  if (event.target.closest("#drop-codes")) know("");
});
byId("codes-file").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  event.target.value = "";
  if (!file) return;
  if (file.size > mostCodes) {
    say(`${file.name} is larger than ${mostCodes / 1e6} MB: that is no code list.`);
    return;
  }
  const text = await file.text(); // stays on this page until it is used
  if (text.includes("\0")) say(`${file.name} is no text. Give a list with one bitting a line.`);
  else byId("codes").value = text;
});

for (const name of ["asked_by", "authority"]) {
  byId(name).addEventListener("change", () => {
    tell(`${id}/record`, { asked_by: byId("asked_by").value, authority: byId("authority").value }).catch(failed);
  });
}
byId("record").addEventListener("submit", (event) => event.preventDefault());

async function forget() {
  photo.clear();
  leaving = true;
  try {
    await tell(`${id}/forget`, {});
    tabs.postMessage({ id, forgotten: true });
    location.replace("../");
  } catch (error) {
    leaving = false;
    failed(error);
  }
}
byId("forget").addEventListener("click", forget);

let unused = setTimeout(forget, UNUSED_MS);
for (const name of ["pointerdown", "keydown", "wheel"]) {
  document.addEventListener(name, () => {
    clearTimeout(unused);
    unused = setTimeout(forget, UNUSED_MS);
  }, { passive: true });
}

follow();
