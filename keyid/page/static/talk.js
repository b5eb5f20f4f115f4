// Talking with keyid: every failure becomes one plain sentence.

const ENDED = "keyid doesn't answer: the connection broke, or it was stopped. Try again. If it was stopped, start “keyid "
  + "page” again and open its new address: photos that lay here are gone then.";
const FAILED = "keyid failed at this. Try again; if it fails again, please report what you did.";
const CLOSED = "This page is closed. Open the address that “keyid page” shows now.";

export class Refused extends Error {
  constructor(said, status) {
    super(said);
    this.status = status;
  }
}

export async function ask(address, options = {}) {
  let answer;
  try {
    answer = await fetch(address, options);
  } catch {
    throw new Refused(ENDED, 0);
  }
  const told = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refused(told.said || (answer.status === 403 ? CLOSED : FAILED), answer.status);
  return told;
}

export const tell = (address, what) =>
  ask(address, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(what) });

export function say(sentence) {
  const box = document.getElementById("said");
  box.textContent = sentence;
  if (sentence) box.scrollIntoView({ block: "nearest" });
}
