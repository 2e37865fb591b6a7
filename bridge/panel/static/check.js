// Sound check: single bangs, and a fixed rate while held.

import { holdable } from "./hold.js";
import { by, make, number, rows, text } from "./parts.js";

function button(words, className, onClick) {
  const one = make("button", className, words);
  one.type = "button";
  if (onClick) one.addEventListener("click", onClick);
  return one;
}

export function showCheck({ view, panel }, operator, send) {
  const may = operator && view.state === "armed";
  rows(by("bangs"), view.coils, (coil) => coil.name, ({ name }) => {
    const card = make("article", "coil");
    const rate = make("input");
    Object.assign(rate, { type: "number", min: 1, max: 500, step: 1, id: `rate-${name}` });
    rate.addEventListener("change", () =>
      rate.checkValidity() && send({ do: "set_rate", coil: name, break_rate_hz: Number(rate.value) }));
    const label = make("label", "", "Break rate in Hz");
    label.htmlFor = rate.id;
    const steps = make("div", "acts");
    steps.append(
      button("Shorter", "shorter", () => send({ do: "step", coil: name, way: "shorter" })),
      button("Longer", "longer", () => send({ do: "step", coil: name, way: "longer" })));
    const acts = make("div", "acts");
    const hold = button(undefined, "hold rate");
    hold.append(make("span", "word", "Hold: fixed rate"));
    holdable(hold, (phase) => send({ do: "rate", coil: name, phase }));
    acts.append(button("One bang", "one", () => send({ do: "bang", coil: name })), hold);
    card.append(make("h3", "", name), label, rate, make("p", "step"), steps, acts, make("p", "now"));
    return card;
  }, (card, coil) => {
    const bangs = panel.bangs[coil.name];
    const rate = card.querySelector("input");
    if (document.activeElement !== rate) rate.value = bangs.break_rate_hz;
    text(card.querySelector(".step"), `Step ${bangs.step} of ${bangs.steps} from breakout to the longest lawful bang`);
    for (const one of card.querySelectorAll("button, input")) one.disabled = !operator;
    for (const one of card.querySelectorAll(".one, .rate")) one.disabled = !may;
    const muted = panel.muted.includes(coil.name);
    const sounds = coil.voices.map(([hz, us]) => `${number(hz, 1)} Hz at ${number(us)} µs`).join(" + ");
    text(card.querySelector(".now"), muted ? "Muted: nothing will sound" : sounds || (may ? "silent" : `${view.state}: it fires only while armed`));
  });
}
