// What the page does: shows what the daemon says, stops at once, passes acts on.

import { showCheck } from "./check.js";
import { showCoils } from "./coils.js";
import { Contact } from "./contact.js";
import { holdable } from "./hold.js";
import { by, text } from "./parts.js";
import * as site from "./site.js";

let operator = false, last = null, wasSpoken = "", sliding = 0, answerTimer = 0;
const send = (command) => contact.send(command) || say("No contact: nothing was done.");

function say(words) {
  text(by("answer"), words);
  clearTimeout(answerTimer);
  answerTimer = setTimeout(() => text(by("answer"), ""), 12000);
}

function show(said) {
  last = said;
  const now = performance.now();
  site.showState(said);
  site.showTrip(said, operator);
  site.showPermit(said, operator);
  site.showShow(said, operator, send);
  showCoils(said, operator, send);
  showCheck(said, operator, send);
  site.showLinks(said);
  site.showInputs(said, now);
  site.showRecord(said);
  const slider = by("loudness");
  slider.disabled = !operator;
  if (now - sliding > 1000) slider.value = Math.round(said.panel.loudness * 100);
  text(by("loudness-says"), `${Math.round(said.panel.loudness * 100)} %`);
  const words = site.spoken(said.view);
  if (words !== wasSpoken) { // only changes are spoken, or a screen reader never ends
    wasSpoken = words;
    text(by("spoken"), words);
  }
}

function showContact(there) {
  document.body.dataset.contact = there ? "good" : "none";
  by("lost").hidden = there;
  text(by("stop-says"), there
    ? "Ends the signal only: the emergency button cuts the mains."
    : "Does not reach: use the emergency button!");
  if (there) {
    if (last) site.showState(last);
    return;
  }
  wasSpoken = "";
  text(by("shape"), "✕");
  text(by("state"), "NO CONTACT");
  text(by("caution"), "Silent is not safe to approach: the bus stays charged and the mains on.");
  document.title = "NO CONTACT · Coilwarden";
}

const contact = new Contact({
  onView: show,
  onText: say,
  onContact: showContact,
  onYou: (you) => {
    operator = you.operator;
    text(by("you"), operator ? `operator ${you.name}` : "viewer: may stop only");
    if (last) show(last);
  },
});

// -- stop: from anywhere, before anything else ---------------------------------------------------

window.addEventListener("keydown", (event) => {
  if (event.key !== " " && event.key !== "Escape" && event.code !== "Space") return;
  event.preventDefault();
  event.stopImmediatePropagation();
  if (!event.repeat) contact.stop();
}, true);
window.addEventListener("keyup", (event) => { // else a focused button would be pressed as well
  if (event.key === " ") event.preventDefault();
}, true);
let pressed = -Infinity;
by("stop").addEventListener("pointerdown", () => {
  pressed = performance.now();
  contact.stop();
});
by("stop").closest("form").addEventListener("submit", (event) => {
  event.preventDefault();
  if (performance.now() - pressed > 700) contact.stop(); // by Enter or a screen reader
  pressed = -Infinity;
});

// -- acts ----------------------------------------------------------------------------------------

holdable(by("arm"), (phase) => send({ do: "arm", phase }));
holdable(by("hand-hold"), (phase) => send({ do: "other", name: "deadman:hold", phase }));
for (const act of ["disarm", "hush", "reset"]) by(act).addEventListener("click", () => send({ do: act }));
by("loudness").addEventListener("input", (event) => {
  sliding = performance.now();
  send({ do: "loudness", share: Number(event.target.value) / 100 });
});

// -- pages ---------------------------------------------------------------------------------------

function turn() {
  const wanted = location.hash.slice(1) || "play";
  for (const page of ["play", "check", "sign-in"]) {
    by(page).hidden = page !== wanted;
    if (page === wanted) by(`to-${page}`).setAttribute("aria-current", "page");
    else by(`to-${page}`).removeAttribute("aria-current");
  }
}
window.addEventListener("hashchange", turn);
turn();

async function sign(path, body) {
  try {
    const answer = await fetch(path, { method: "POST", body });
    const { text: words } = await answer.json();
    say(words || (path === "/sign-in" ? "Signed in." : "Signed out."));
    if (!answer.ok) return;
    contact.reconnect();
    location.hash = "#play";
  } catch {
    say("No contact: not signed in.");
  }
}
by("sign-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const token = by("token").value;
  by("token").value = "";
  sign("/sign-in", new URLSearchParams({ token }));
});
by("sign-out").addEventListener("click", () => sign("/sign-out", new URLSearchParams()));
