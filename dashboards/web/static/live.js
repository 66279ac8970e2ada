// The one WebSocket of a page: opened again whenever it drops, from where it left off, so that no curve has a gap.

import { get, token } from "./kit.js";

const FIRST_WAIT_MS = 250;
const LONGEST_WAIT_MS = 5000;
const SILENT_MS = 6000; // the daemon says something every 2 s

export class Live {
  /** `wish`: {benches, run, after}. `on`: benches(tiles, all), run(message), state(open, since). */
  constructor(wish, on) {
    this.wish = { benches: false, run: null, after: 0, ...wish };
    this.on = on;
    this.waitMs = FIRST_WAIT_MS;
    this.heardAt = performance.now();
    this.open = false;
    this.ended = false;
    this.connect();
    this.watch = setInterval(() => this.look(), 1000);
    addEventListener("online", () => this.again(0));
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.look());
  }

  /** Ask for something else; `after` counts for the run. */
  want(wish) {
    this.wish = { ...this.wish, ...wish };
    if (this.open) this.socket.send(JSON.stringify(this.wish));
  }

  close() {
    this.ended = true;
    clearInterval(this.watch);
    clearTimeout(this.timer);
    this.socket?.close();
  }

  connect() {
    if (this.ended) return;
    const place = `${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/v1/live`;
    const protocols = ["benchd.page"];
    if (token()) protocols.push(`benchd.token.${token()}`);
    const socket = new WebSocket(place, protocols);
    this.socket = socket;
    socket.onopen = () => {
      if (socket !== this.socket) return;
      this.open = true;
      this.heardAt = performance.now();
      socket.send(JSON.stringify(this.wish));
      this.on.state?.(true);
    };
    socket.onmessage = (event) => socket === this.socket && this.take(event.data);
    socket.onclose = (event) => socket === this.socket && this.lost(event);
  }

  take(text) {
    this.heardAt = performance.now();
    this.waitMs = FIRST_WAIT_MS;
    const message = JSON.parse(text);
    if (message.kind === "benches") this.on.benches?.(message.benches, message.all);
    else if (message.kind === "run" && message.run === this.wish.run) {
      // What was sent twice, after a drop, is not drawn twice; what would leave a gap is asked for again.
      if (message.first > this.wish.after + 1) {
        this.want({});
        return;
      }
      const after = this.wish.after;
      message.records = message.records.filter((one) => one.seq > after);
      this.wish.after = Math.max(after, message.next);
      this.on.run?.(message);
    } else if (message.kind === "hello") this.on.hello?.(message);
    if (message.kind === "trouble") this.on.state?.(false, message.text);
    else if (message.kind === "beat" && this.troubled) this.on.state?.(true);
    if (["trouble", "beat"].includes(message.kind)) this.troubled = message.kind === "trouble";
  }

  lost(event) {
    if (this.ended) return;
    if (this.open || !this.lostAt) this.lostAt = performance.now();
    this.open = false;
    this.on.state?.(false, event?.reason);
    this.known();
    this.again(this.waitMs);
    this.waitMs = Math.min(this.waitMs * 2, LONGEST_WAIT_MS);
  }

  /** A browser does not tell why a link was refused: a token that counts no more is asked for in another way. */
  async known() {
    try {
      await get("/v1/session");
    } catch (error) {
      if (error.status === 401 && !this.open && !this.ended) this.on.state?.(false, error.message);
    }
  }

  again(waitMs) {
    clearTimeout(this.timer);
    if (this.open || this.ended) return;
    this.timer = setTimeout(() => this.connect(), waitMs * (0.75 + Math.random() / 2));
  }

  /** A link that says nothing is no link, whatever the browser thinks of it. */
  look() {
    if (!this.open || performance.now() - this.heardAt < SILENT_MS) return;
    const dead = this.socket;
    this.socket = null;
    dead.close();
    this.lost();
  }
}

/** Say in the bar and on the page whether what is shown is of now. */
export function showLink(open, reason = "") {
  const place = document.getElementById("link");
  document.getElementById("main").classList.toggle("stale", !open);
  const said = open ? "" : `No link to the daemon: what is shown is old.${reason ? ` (${reason})` : ""}`;
  if (place.textContent !== said) place.textContent = said;
}
