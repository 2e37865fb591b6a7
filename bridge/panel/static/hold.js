// Press and hold, by finger, mouse or Enter. The daemon times it; the page only says "still held".

const KEEP_MS = 90;

export function holdable(button, say) {
  let timer = 0;
  const begin = () => {
    if (timer || button.disabled) return;
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
    begin();
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture", "blur"])
    button.addEventListener(name, end);
  button.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    if (!event.repeat) begin();
  });
  button.addEventListener("keyup", (event) => event.key === "Enter" && end());
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  document.addEventListener("visibilitychange", () => document.hidden && end());
  window.addEventListener("pagehide", end);
  return end;
}
