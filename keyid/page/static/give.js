// Giving photos: chosen, taken, dropped or pasted; each is a key of its own.

import { ask, say, tell } from "./talk.js";

const main = document.querySelector("main");
const most = Number(main.dataset.most);
const mostBytes = Number(main.dataset.mostBytes);
const give = document.getElementById("give");
const sending = document.getElementById("sending");

for (const input of give.querySelectorAll("input[type=file]")) {
  input.addEventListener("change", () => {
    send([...input.files]);
    input.value = ""; // so that the same photo can be chosen again
  });
}
for (const name of ["dragenter", "dragover"]) {
  document.addEventListener(name, (event) => {
    event.preventDefault();
    give.classList.add("over");
  });
}
for (const name of ["dragleave", "drop"]) document.addEventListener(name, () => give.classList.remove("over"));
document.addEventListener("drop", (event) => {
  event.preventDefault();
  send([...event.dataTransfer.files]);
});
document.addEventListener("paste", (event) => {
  if (event.clipboardData.files.length) send([...event.clipboardData.files]);
});

async function send(files) {
  const said = [];
  const room = most - document.querySelectorAll(".keys li").length;
  if (files.length > room) said.push(`${Math.max(room, 0)} of ${files.length} photos were looked at: there is room for at most ${most} photos. Forget keys that are done, then give the rest.`);
  const keys = [];
  for (const file of files.slice(0, Math.max(room, 0))) {
    const refused = wrong(file);
    if (refused) {
      said.push(refused);
      continue;
    }
    try {
      keys.push(await sendOne(file));
    } catch (error) {
      said.push(`${file.name}: ${error.message}`);
      if (error.status === 0) break;
    }
  }
  sending.replaceChildren();
  if (keys.length === 1 && !said.length) location.assign(`key/${keys[0]}`);
  else if (keys.length) remember(said);
  else say(said.join(" "));
}

function wrong(file) {
  if (file.size > mostBytes) return `${file.name} is larger than ${mostBytes / 1e6} MB: that is no photo of a phone. Give the photo itself.`;
  if (file.type.startsWith("video/")) return `${file.name} is a video. Give a photo.`;
  return file.size ? "" : `${file.name} is empty.`;
}

async function sendOne(file) {
  const line = document.createElement("li");
  line.textContent = `Taking in ${file.name} …`;
  sending.append(line);
  const headers = { "X-File-Name": encodeURIComponent(file.name), "Content-Type": "application/octet-stream" };
  const { key } = await ask("keys", { method: "POST", headers, body: file });
  line.remove();
  return key;
}

// Sentences are shown again after the list of keys is loaded anew.
function remember(said) {
  history.replaceState({ said: said.join(" ") }, "");
  location.reload();
}

if (history.state?.said) {
  say(history.state.said);
  history.replaceState(null, "");
}

for (const button of document.querySelectorAll("[data-forget]")) {
  button.addEventListener("click", async () => {
    try {
      await tell(`key/${button.dataset.forget}/forget`, {});
      new BroadcastChannel("keyid").postMessage({ id: button.dataset.forget, forgotten: true });
      location.reload();
    } catch (error) {
      say(error.message);
    }
  });
}

document.getElementById("together")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const keys = [...event.target.querySelectorAll(":checked")].map((box) => box.value);
  try {
    const { key } = await tell("together", { keys });
    location.assign(`key/${key}`);
  } catch (error) {
    say(error.message);
  }
});

// Keys that are still being read: their line follows.
for (const line of document.querySelectorAll('.keys li[data-phase="measuring"]')) follow(line);

async function follow(line) {
  const id = line.querySelector("[data-forget]").dataset.forget;
  let seen = -1;
  try {
    for (;;) {
      const now = await ask(`key/${id}/now?seen=${seen}`);
      seen = now.version;
      if (now.phase !== "measuring") break;
      line.querySelector("span").lastChild.textContent = now.line;
    }
    location.reload();
  } catch (error) {
    say(error.message);
  }
}

document.getElementById("copy").addEventListener("click", async () => {
  const copied = document.getElementById("copied");
  try {
    await navigator.clipboard.writeText(document.getElementById("message").textContent);
    copied.textContent = "Copied.";
  } catch {
    copied.textContent = "Mark the text and copy it by hand.";
  }
});
