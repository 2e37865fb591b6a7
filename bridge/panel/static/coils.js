// The coils: what sounds, what it costs, what holds it back.

import { by, make, noteName, number, rows, text } from "./parts.js";

const NEAR = 0.9;

function meters(coil, budget) {
  const list = Object.entries(coil.meters).map(([name, share]) => ({ name, share, says: `${Math.round(share * 100)} %` }));
  for (const one of list)
    if (one.name === "mains") one.says = `${number(coil.mains_a, 1)} A`, one.name = `mains of ${number(budget, 1)} A`;
  return list;
}

function buildMeter() {
  const row = make("div", "meter");
  const bar = make("div", "bar");
  bar.setAttribute("role", "meter");
  bar.setAttribute("aria-valuemin", "0");
  bar.setAttribute("aria-valuemax", "100");
  bar.append(make("i"));
  row.append(make("span"), bar, make("span", "value"));
  return row;
}

function updateMeter(row, { name, share, says }) {
  const percent = Math.max(0, Math.min(100, share * 100));
  row.classList.toggle("near", share >= NEAR);
  text(row.children[0], name);
  const bar = row.children[1];
  bar.setAttribute("aria-label", name);
  bar.setAttribute("aria-valuenow", percent.toFixed(0));
  bar.setAttribute("aria-valuetext", share >= NEAR ? `${says}, near the limit` : says);
  bar.firstChild.style.width = `${percent}%`;
  text(row.children[2], says);
}

export function showCoils({ view, panel }, operator, send) {
  rows(by("coils"), view.coils, (coil) => coil.name, (coil) => {
    const card = make("article", "coil");
    const head = make("h3");
    const mute = make("button", "mute", "Mute");
    mute.type = "button";
    mute.addEventListener("click", () =>
      send({ do: "mute", coil: coil.name, muted: mute.getAttribute("aria-pressed") !== "true" }));
    head.append(make("span", "", coil.name), mute);
    card.append(head, make("p", "notes"), make("p", "pulse"), make("p", "energy"), make("div", "meters"), make("p", "held"));
    return card;
  }, (card, coil) => {
    const muted = panel.muted.includes(coil.name);
    const mute = card.querySelector(".mute");
    mute.disabled = !operator;
    mute.setAttribute("aria-pressed", String(muted));
    mute.setAttribute("aria-label", `Mute ${coil.name}`);
    text(mute, muted ? "Muted" : "Mute");
    text(card.querySelector(".notes"), coil.notes.map((n) => (n ? noteName(n) : "bang")).join(" ") || "·");
    const pulses = coil.voices.map(([hz, us]) => `${number(hz, 1)} Hz at ${number(us)} µs`);
    text(card.querySelector(".pulse"), pulses.length ? `${pulses.join(" + ")}; ${number(coil.break_rate_hz)} bangs a second` : "nothing sounds");
    text(card.querySelector(".energy"), coil.power_w === null
      ? "energy: not known, the site file tells no tank and supply"
      : `energy: ${coil.bang_energy_j.map((j) => number(j, 2)).join(", ") || "0"} J a bang, ${number(coil.power_w)} W`);
    rows(card.querySelector(".meters"), meters(coil, view.mains_budget_a), (m) => m.name, buildMeter, updateMeter);
    text(card.querySelector(".held"), coil.held_back.length ? `Held back: ${coil.held_back.join("; ")}` : "");
  });
}
