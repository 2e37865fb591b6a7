// Press and hold, by finger, mouse or Enter. The daemon times it; the page only says "still held".

const KEEP_MS = 90;

export function holdable(button, say) {
  let timer = 0, byKey = false;
  const begin = (key) => {
    if (timer || button.disabled) return;
    byKey = key;
    say("begin");
    timer = setInterval(() => (button.disabled || !button.isConnected ? end() : say("keep")), KEEP_MS);
  };
  const end = () => {
    if (!timer) return;
    clearInterval(timer);
    timer = 0;
    say("end");
  };
  button.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    button.setPointerCapture(event.pointerId);
    begin(false);
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"])
    button.addEventListener(name, () => byKey || end());
  // A pointer stays on its button wherever the focus goes: one hand holds, the other holds Enter.
  button.addEventListener("blur", () => byKey && end());
  button.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    if (!event.repeat) begin(true);
  });
  button.addEventListener("keyup", (event) => event.key === "Enter" && byKey && end());
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  document.addEventListener("visibilitychange", () => document.hidden && end());
  window.addEventListener("blur", end);
  window.addEventListener("pagehide", end);
  return end;
}
