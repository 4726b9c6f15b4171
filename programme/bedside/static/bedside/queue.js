// Keeps each entry in this browser until the server has answered, and sends it again with the same key after a cut.
//
// One stored item an entry, so that two tabs never write over each other. An entry counts as saved only on the server's
// answer; one that was refused stays until somebody dismisses it.

const LIFE = crypto.randomUUID();
const FIRST_PAUSE_MS = 1000;
const LONGEST_PAUSE_MS = 8000;
const LONGEST_ANSWER_MS = 10000;

// In production its name says that it is of this host alone.
const CSRF_COOKIE = /(?:^|; )(?:__Host-)?csrftoken=([^;]*)/;

// Of this browser: a second tablet of the same person has another, so that what both entered can be told apart.
const TABLET = (() => {
  const fresh = crypto.randomUUID();
  try {
    const known = localStorage.getItem("ebbline-tablet");
    if (!known) localStorage.setItem("ebbline-tablet", fresh);
    return known ?? fresh;
  } catch {
    return fresh; // a browser that stores nothing is another after each reload
  }
})();

// Seconds since the entry was made: by the running clock of this page, or by the wall clock after a reload or a sleep.
export function waited(item) {
  const running = item.life === LIFE ? performance.now() - item.running : 0;
  return Math.max(running, Date.now() - item.wall, 0) / 1000;
}

export class Queue {
  constructor({ session, user, enter, changed, kept }) {
    Object.assign(this, { user, enter, changed, kept });
    this.prefix = `ebbline-run-${session}-`;
    this.memory = new Map(); // where the browser stores nothing
    this.problem = "";
    this.sending = false;
    this.pause = FIRST_PAUSE_MS;
    window.addEventListener("storage", (event) => event.key?.startsWith(this.prefix) && this.changed());
    window.addEventListener("online", () => this.send());
  }

  items() {
    const names = Object.keys(localStorage).filter((name) => name.startsWith(this.prefix));
    const stored = names.map((name) => JSON.parse(localStorage.getItem(name)));
    return [...stored, ...this.memory.values()].sort((a, b) => a.place - b.place);
  }

  waiting() {
    return this.items().filter((item) => !item.refused);
  }

  get storesNothing() {
    return this.memory.size > 0;
  }

  put(item) {
    try {
      localStorage.setItem(this.prefix + item.key, JSON.stringify(item));
      this.memory.delete(item.key);
    } catch {
      this.memory.set(item.key, item);
    }
  }

  remove(key) {
    localStorage.removeItem(this.prefix + key);
    this.memory.delete(key);
  }

  add(kind, fields, seen) {
    const place = Math.max(0, ...this.items().map((item) => item.place)) + 1;
    const item = { place, key: crypto.randomUUID(), kind, fields, seen, by: this.user };
    this.put({ ...item, wall: Date.now(), running: performance.now(), life: LIFE });
    this.changed();
    this.send();
    return item.key;
  }

  dismiss(key) {
    this.remove(key);
    this.changed();
  }

  // Sends what waits, in order, one at a time; only one tab of a browser sends.
  async send() {
    if (this.sending) return;
    this.sending = true;
    clearTimeout(this.later);
    try {
      if (navigator.locks) await navigator.locks.request(this.prefix, () => this.sendAll());
      else await this.sendAll();
    } finally {
      this.sending = false;
    }
    if (this.problem) {
      this.later = setTimeout(() => this.send(), this.pause);
      this.pause = Math.min(2 * this.pause, LONGEST_PAUSE_MS);
    }
  }

  async sendAll() {
    const passedOver = new Set(); // made by somebody else, who must sign in
    for (;;) {
      const next = this.waiting().find((item) => !passedOver.has(item.key));
      if (!next) break;
      const outcome = await this.post(next);
      if (outcome === "waits") passedOver.add(next.key);
      else if (outcome) {
        this.problem = outcome;
        this.changed();
        return;
      }
    }
    this.problem = "";
    this.pause = FIRST_PAUSE_MS;
    this.changed();
  }

  // Returns nothing once the server has taken or refused the entry, else why it must be sent again.
  async post(item) {
    const { key, kind, by, fields, seen } = item;
    let answer;
    try {
      answer = await fetch(this.enter, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-CSRFToken": CSRF_COOKIE.exec(document.cookie)?.[1] ?? "" },
        body: JSON.stringify({ key, kind, by, fields, seen, waited_s: waited(item), tablet: TABLET }),
        redirect: "manual", // an answer that leads elsewhere is the sign-in page
        signal: AbortSignal.timeout(LONGEST_ANSWER_MS),
      });
      if (answer.type === "opaqueredirect" || answer.status === 401 || answer.status === 403) return "sign-in";
      if (answer.status >= 500) return "cut";
      const said = answer.headers.get("Content-Type")?.startsWith("application/json") ? await answer.json() : {};
      if (answer.ok && said.kept) {
        this.remove(key);
        this.kept(said.kept, item);
        return "";
      }
      if (answer.status === 409) return "waits";
      if (answer.ok) return "cut"; // something between here and the server answered in its place
      this.put({ ...item, refused: said.refused ?? [`The server did not take it (${answer.status}).`] });
      return "";
    } catch {
      return "cut";
    }
  }
}
