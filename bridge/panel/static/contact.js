// The line to the daemon: pictures in, commands out, and whether there is contact at all.
// Contact is judged by round trips and by how old the daemon's newest word is, never by hope.

const LOST_MS = 1000, ECHO_MS = 300, AGAIN_MS = 700;

export class Contact {
  constructor({ onView, onText, onYou, onContact }) {
    Object.assign(this, { onView, onText, onYou, onContact });
    this.there = false;
    this.good = -Infinity; // when it was last certain that the daemon hears this page
    this.echo = 0;
    this.asked = new Map();
    this.connect();
    setTimeout(() => this.there || this.onContact(false), LOST_MS);
    setInterval(() => this.look(), 100);
    setInterval(() => this.ask(), ECHO_MS);
  }

  connect() {
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/live`);
    this.socket = socket;
    socket.addEventListener("open", () => this.ask());
    socket.addEventListener("message", (event) => {
      if (socket === this.socket) this.take(JSON.parse(event.data));
    });
    socket.addEventListener("close", () => {
      if (socket !== this.socket) return;
      this.lose();
      setTimeout(() => this.connect(), AGAIN_MS);
    });
  }

  reconnect() { // as somebody else: the session belongs to the connection
    const old = this.socket;
    this.connect();
    old.close();
  }

  take(said) {
    if (said.view) this.onView(said);
    else if (said.you) this.onYou(said.you);
    else if (said.echo !== undefined) this.answered(said);
    else if (said.text) this.onText(said.text);
  }

  answered({ echo, age_ms }) {
    const asked = this.asked.get(echo);
    for (const number of this.asked.keys()) if (number <= echo) this.asked.delete(number);
    if (asked !== undefined) this.good = Math.max(this.good, asked - age_ms);
    this.look();
  }

  ask() {
    if (this.socket.readyState !== WebSocket.OPEN) return;
    this.echo += 1;
    this.asked.set(this.echo, performance.now());
    if (this.asked.size > 20) this.asked.delete(this.asked.keys().next().value);
    this.socket.send(JSON.stringify({ echo: this.echo }));
  }

  look() {
    const there = performance.now() - this.good < LOST_MS + ECHO_MS;
    if (there !== this.there) this.change(there);
  }

  lose() {
    this.good = -Infinity;
    this.asked.clear();
    if (this.there) this.change(false);
    else this.onContact(false);
  }

  change(there) {
    this.there = there;
    this.onContact(there);
  }

  send(command) {
    if (this.socket.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(command));
    return true;
  }

  // Both ways at once, whichever is quicker. Says when it is not certain that it arrived.
  async stop() {
    this.send({ do: "stop" });
    try {
      const answer = await fetch("/stop", {
        method: "POST", keepalive: true, headers: { accept: "application/json" },
        signal: AbortSignal.timeout(1000),
      });
      if (!answer.ok) throw new Error(String(answer.status));
      this.onText("Stopped.");
    } catch {
      this.onText("STOP WAS NOT CONFIRMED. Use the emergency button.");
    }
  }
}
