// The site as a whole: state, trip, arming list, links, inputs, record.

import { by, make, number, rows, text } from "./parts.js";

// Never by colour alone: each state has a shape and a word.
export const LOOK = {
  locked: ["□", "LOCKED"], arming: ["◇", "ARMING"], armed: ["⚠", "ARMED"], tripped: ["▲", "TRIPPED"],
};

export function showState({ view }) {
  const [shape, word] = LOOK[view.state] ?? ["?", view.state.toUpperCase()];
  document.body.dataset.state = view.state;
  text(by("shape"), shape);
  text(by("state"), word);
  text(by("site"), view.site);
  text(by("caution"), view.caution);
  by("unrecorded").hidden = !unrecorded(view);
  document.title = `${word} · ${view.site}`;
}

const unrecorded = ({ journal }) => journal && !journal.recording && journal.problem;

export function spoken(view) {
  const word = LOOK[view.state]?.[1] ?? view.state;
  return [word, view.tripped?.sentence, view.tripped?.remedy, view.caution,
    unrecorded(view) ? "Not recorded." : ""].filter(Boolean).join(". ");
}

export function showTrip({ view }, operator) {
  const trip = view.tripped;
  by("trip").hidden = !trip;
  if (!trip) return;
  text(by("trip-sentence"), trip.sentence);
  text(by("trip-remedy"), trip.remedy);
  text(by("trip-clears"), trip.clears);
  text(by("trip-where"), [`trip ${trip.number}, cause ${trip.cause}`, trip.origin, trip.detail].filter(Boolean).join(" · "));
  text(by("trip-later"), trip.later.join(" ") || "nothing more");
  by("reset").disabled = !operator;
}

function permitSays({ view, panel }, operator, open) {
  if (panel.arming_by) return `${panel.arming_by} holds to arm…`;
  if (view.state === "armed") return "Coils are live. Disarm when nobody plays.";
  if (view.state === "arming") return "The horn sounds: coils go live in a moment.";
  if (open) return `${open} ${open === 1 ? "thing stands" : "things stand"} between you and armed.`;
  return operator ? "Ready to arm." : "Ready to arm; it takes an operator: sign in.";
}

export function showPermit(said, operator) {
  const { view, panel } = said;
  const open = view.checks.filter((check) => !check.passed).length;
  text(by("permit-says"), permitSays(said, operator, open));
  by("arm").disabled = !operator || view.state !== "locked" || open > 0;
  by("disarm").disabled = !operator || !["armed", "arming"].includes(view.state);
  by("hush").disabled = !operator;
  const filling = by("arm").querySelector(".filling");
  filling.style.width = `${panel.arming_progress * 100}%`;
  filling.classList.toggle("none", !panel.arming_progress);
  by("checks-head").hidden = !view.checks.length;
  // What is open stands first; within that, the order of the list.
  const checks = [...view.checks].sort((a, b) => a.passed - b.passed);
  rows(by("checks"), checks, (check) => check.name, () => {
    const item = make("li");
    item.append(make("span", "mark"), make("span", "name"), make("span", "remedy"));
    return item;
  }, (item, check) => {
    item.className = check.passed ? "met" : "open";
    text(item.children[0], check.passed ? "✓ met: " : "○ open: ");
    text(item.children[1], `${check.name}: ${check.found}`);
    text(item.children[2], check.passed ? "" : check.remedy);
  });
}

export function showLinks({ view }) {
  rows(by("links"), view.links, (link) => link.name, (link) => {
    const part = make("div");
    part.append(make("h3", "", link.name), make("dl"), make("p", "bad"));
    return part;
  }, (part, link) => {
    const status = link.status_age_ms === null ? "none yet" : `${number(link.status_age_ms)} ms old`;
    const clock = link.clock_ppm === null ? "not known yet" : `${number(link.clock_ppm)} ppm off, ${number(link.tick_rate_hz)} ticks a second`;
    const facts = [
      ["link", link.text], ["status", status], ["clock", clock],
      ["receive errors", `${link.line_errors}, of them ${link.line_errors_in_bangs} during bangs; ${link.bad_frames} bad frames`],
      ["guard", `${link.guard_refusals} refused, ${link.collisions_dropped} collided of ${link.pulses} pulses`],
    ];
    rows(part.children[1], facts.flatMap(([k, v]) => [["dt", k, `${k}:`], ["dd", v, k]]), ([, , key]) => key,
      ([tag]) => make(tag), (node, [, value]) => text(node, value));
    text(part.children[2], hint(link));
  });
}

function hint(link) {
  const hints = [];
  if (link.line_errors_in_bangs > 0 && link.line_errors_in_bangs * 2 >= link.line_errors)
    hints.push("Errors fall during bangs: look at cabling, shields and the distance to the coil.");
  if (link.guard_refusals) hints.push("The guard refused pulses: limits of host and board do not agree.");
  if (link.can_break === false) hints.push("This adapter cannot send a break; the stop frame alone must do.");
  return hints.join(" ");
}

const seen = new Map();
export function showInputs({ view }, now) {
  rows(by("inputs"), view.inputs, (one) => one.name, () => make("li"), (item, one) => {
    const count = view.midi_messages[one.name] ?? 0;
    const before = seen.get(one.name);
    if (before?.count !== count) seen.set(one.name, { count, at: before ? now : -Infinity });
    const playing = now - seen.get(one.name).at < 600;
    const dropped = one.dropped ? `, ${one.dropped} thrown away in a flood` : "";
    text(item, `${playing ? "● playing" : "○ quiet"} · ${one.name}: ${one.state}, ${count} messages${dropped}${one.note ? ` · ${one.note}` : ""}`);
  });
}

export function showRecord({ view, panel, lines }) {
  const record = view.journal;
  by("record").className = record && !record.recording ? "bad" : "";
  text(by("record"), !record ? "No record is kept." : record.recording
    ? `Recording to ${record.path}${record.lost ? `; ${record.lost} things could not be kept` : ""}`
    : `▲ NOT RECORDED: ${record.problem || "the record is being opened"}. The music goes on.`);
  const plain = (id, items) => rows(by(id), items.map((t, i) => [i, t]), ([i]) => i, () => make("li"), (n, [, t]) => text(n, t));
  plain("remarks", view.remarks);
  plain("acts", [...panel.acts].reverse().map(([clock, what]) => `${clock} ${what}`));
  plain("lines", [...lines].slice(-10).reverse().map(([clock, what]) => `${clock} ${what}`));
}

const TRANSPORT = [["go", "Go"], ["pause", "Pause"], ["resume", "From the bar again"], ["next", "Next item"]];
export function showShow({ view, panel }, operator, send) {
  const show = view.show;
  by("show").hidden = !show;
  if (show) {
    const left = show.left_s;
    const clock = `${Math.floor(Math.max(0, left) / 60)}:${String(Math.floor(Math.max(0, left) % 60)).padStart(2, "0")}`;
    text(by("show-item"), `${show.item} of ${show.items}: ${show.name}`);
    text(by("show-place"), [show.transport, `bar ${show.bar}`, `${clock} left`, `by ${show.clock}`].join(" · "));
    const acts = TRANSPORT.filter(([name]) => panel.others.includes(`show:${name}`));
    rows(by("show-acts"), acts, ([name]) => name, ([name, words]) => {
      const one = make("button", "", words);
      one.type = "button";
      one.addEventListener("click", () => send({ do: "other", name: `show:${name}` }));
      return one;
    }, (one) => { one.disabled = !operator; });
  }
  for (const part of ["hand-hold", "hand-help"]) by(part).hidden = !panel.others.includes("deadman:hold");
  by("hand-hold").disabled = !operator;
}
