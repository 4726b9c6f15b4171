// The bedside page: one touch an entry, kept here until it is saved; what other tablets enter, within seconds; the
// clock of observations. Without this file the page works by plain forms.
import { Queue, waited } from "./queue.js";

const POLL_MS = 3000;
const WHOLE_EVERY = 10; // polls: also what changed without an entry
const SOON_MS = 700;
const LONGEST_STOP_MS = 4000;
const NEAR = 0.8; // of a limit, as the server judges it
const NOT_FIELDS = new Set(["csrfmiddlewaretoken", "receipt", "kind", "show", "seen"]);
const CALLED = { moved: "volumes", observation: "observations", step_done: "step done", time: "time put right" };

const run = document.getElementById("run");
const at = (id) => document.getElementById(id);
const board = () => at("board");
const minus = (text) => String(text).replace("-", "\u2212");
// As the server writes it: the true minus, and no sign before a zero.
const signed = (value, places = 0) => {
  const text = value.toFixed(places);
  return Number(text) ? minus((value > 0 ? "+" : "") + text) : text.replace("-", "");
};
const clockWords = (ms) => new Date(ms).toLocaleTimeString("en-GB");

let keptUnseen = []; // saved, but not yet on the board that is shown
const byHand = Boolean(at("coming")); // an automated session has no touches: nothing is overlaid on its board
const served = byHand ? { now: at("now").innerHTML, bal: at("bal").innerHTML } : {}; // what is overlaid, as the server wrote it
let serverNow = Date.parse(board().dataset.now);
let receivedAt = performance.now();
let polls = 0;
let lost = false;
let dueSaid = "";
let slowSaid = "";
let signedOut = false;

const queue = new Queue({
  session: run.dataset.session,
  user: Number(run.dataset.user),
  enter: run.dataset.enter,
  changed: show,
  kept(number, item) {
    keptUnseen.push({ number, item });
    at("saved").textContent = `Saved ${clockWords(Date.now())}, on the server.`;
    refresh();
  },
});

// What the board does not hold yet. It can hold an entry whose own answer is still on its way, or was lost.

function notOnBoard() {
  const last = Number(board().dataset.last);
  const keys = new Set(board().dataset.keys.split(" "));
  keptUnseen = keptUnseen.filter((one) => one.number > last);
  const items = [...keptUnseen.map((one) => one.item), ...queue.waiting().filter((item) => !keys.has(item.key))];
  const undone = new Set(items.filter((item) => item.kind === "undo").map((item) => item.fields.target_key));
  return items.filter((item) => !undone.has(item.key));
}

const number = (text) => Number(String(text ?? "").trim().replace("\u2212", "-") || 0);

function outOf(item) {
  return item.fields.weighed_g ? weighed(number(item.fields.weighed_g), tareOf(item.fields.bag)) : number(item.fields.out_ml);
}

function tareOf(bag) {
  return Number(document.querySelector(`#weigh input[value="${bag}"]`)?.dataset.tare ?? 0);
}

function weighed(grams, tare) {
  return Math.max(0, Math.round((grams - tare) / Number(at("figures").dataset.density)));
}

// Showing

const movedOnly = (items) => items.filter((item) => item.kind === "moved");

// The touches that are left once everything entered here is done, the next one first.
function touchesLeft() {
  const items = notOnBoard();
  const ended = new Set(items.filter((item) => item.kind === "step_done").map((item) => item.fields.step));
  const open = JSON.parse(at("coming").textContent).filter((one) => !ended.has(String(one.step)));
  for (const item of movedOnly(items)) take(item, open.filter((one) => String(one.step) === item.fields.step));
  return open.filter((one) => one.in >= 0.5 || one.out >= 0.5);
}

// Takes the volumes of one entry off the touches of its step, the first ones first; what is left of a touch stays.
function take(item, touches) {
  let [given, drawn] = [number(item.fields.in_ml), outOf(item)];
  for (const one of touches) {
    const [into, out] = [Math.min(given, one.in), Math.min(drawn, one.out)];
    if (!into && !out) continue;
    one.in -= into;
    one.out -= out;
    given -= into;
    drawn -= out;
    one.sentence = `Of this is left: in ${Math.round(one.in)}, out ${Math.round(one.out)} mL.`;
    one.left = "";
  }
}

function asServed(region) {
  if (at(region).innerHTML !== served[region]) at(region).innerHTML = served[region];
}

function show() {
  if (byHand) {
    showNow();
    showBalance(movedOnly(notOnBoard()));
    showAhead();
  }
  showQueue();
}

const halted = () => at("nowh").dataset.halted !== undefined;

function showNow() {
  const touch = touchesLeft()[0];
  const form = at("entry");
  if (!touch) {
    if (notOnBoard().length) at("nowh").textContent = "Every step is entered";
    else asServed("now");
    if (form) fill(form, { unit: "", out_ml: "", in_ml: "" }, "");
    return;
  }
  if (halted()) asServed("now");
  else {
    at("nowh").textContent = touch.title;
    at("nowdo").textContent = touch.sentence;
    at("nowleft").textContent = touch.left;
  }
  if (!form) return;
  // Nothing stands ready to be entered while nothing is to be given.
  const given = halted() || touch.waits ? "" : Math.round(touch.in) || "";
  const drawn = halted() ? "" : Math.round(touch.out) || "";
  fill(form, { step: touch.step, unit: touch.unit ?? "", out_ml: drawn, in_ml: given }, halted() ? "" : Math.round(touch.in) || "");
  const bag = document.querySelector("#weigh form");
  bag.elements.step.value = touch.step;
  bag.elements.unit.value = touch.unit ?? "";
}

const isDirty = (box) => box.value !== box.defaultValue;

function fill(form, values, planned) {
  const { out_ml, in_ml } = form.elements;
  if (isDirty(out_ml) || isDirty(in_ml)) return; // nothing changes under the hand
  for (const [name, value] of Object.entries(values)) put(form.elements[name], String(value));
  in_ml.placeholder = planned;
}

// A value that changes in the box somebody is about to type into is selected, so that typing replaces it: else 50 typed
// beside a 200 that has just come would be 20050.
function put(box, value) {
  if (box.value === value && box.defaultValue === value) return;
  box.value = box.defaultValue = value;
  if (box === document.activeElement) box.select();
}

function balance(moved) {
  const figures = at("figures").dataset;
  const cells = new Set(JSON.parse(at("coming").textContent).filter((one) => one.cells).map((one) => String(one.step)));
  let [all, without] = [Number(figures.balance), Number(figures.without)];
  for (const item of moved) {
    const [given, drawn] = [number(item.fields.in_ml), outOf(item)];
    all += given - drawn;
    without += (cells.has(String(item.fields.step)) ? given : 0) - drawn;
  }
  const ahead = figures.ahead === "inf" ? Infinity : Number(figures.ahead);
  return { all, without, kg: Number(figures.weight), under: Number(figures.under), over: Number(figures.over), ahead };
}

function judged({ all, under, over, ahead }) {
  const [side, limit] = all < 0 ? ["under", under] : ["over", over];
  const beyond = Math.abs(all) - limit;
  if (beyond > 0) return ["stop", `${Math.round(beyond)} mL beyond the limit ${side}; tell the prescriber`];
  if (-all >= ahead) return ["check", `${Math.round(-all)} mL drawn ahead; with this flag it is given first`];
  if (Math.abs(all) >= NEAR * limit) return ["check", `near the limit ${side}: ${Math.round(-beyond)} mL left`];
  return ["tick", "inside limits"];
}

function showBalance(moved) {
  if (!moved.length) {
    asServed("bal");
    return;
  }
  const now = balance(moved);
  at("balsay").textContent = `Balance now, ${moved.length} not yet saved`;
  at("balml").textContent = signed(now.all);
  at("balkg").textContent = signed(now.all / now.kg, 1);
  at("balcells").textContent = signed(now.without);
  at("balcellskg").textContent = signed(now.without / now.kg, 1);
  const [state, words] = judged(now);
  at("balstate").replaceChildren(marked(state, words));
}

function marked(state, words) {
  const bold = document.createElement(state === "tick" ? "span" : "b");
  bold.className = state === "stop" ? "over" : "";
  bold.append(at(`mark-${state}`).content.cloneNode(true), words);
  return bold;
}

function say(state, title, words) {
  const box = document.createElement("div");
  box.className = `say ${state}`;
  const bold = document.createElement("b");
  bold.append(at(`mark-${state}`).content.cloneNode(true), title);
  box.append(bold, ` ${words}`);
  return box;
}

// How much of a unit is given with what was typed and what is not on the board yet.
function allOf(unit, soFar, given) {
  const unsaved = movedOnly(notOnBoard()).filter((item) => item.fields.unit === unit);
  return unsaved.reduce((sum, item) => sum + number(item.fields.in_ml), soFar + given);
}

// What speaks against so much of a unit, whenever it was given, in the server's words.
function tooMuch(touch, unit, given) {
  if (!touch?.holds || String(touch.unit) !== unit || !given) return "";
  const all = allOf(unit, touch.holds.given, given);
  return all > touch.holds.most ? `${Math.round(all).toLocaleString("en-GB")} mL of unit ${unit} ${touch.holds.more}.` : "";
}

// What speaks against so much of a unit before the end of its slow start, in the server's words.
function tooFast(unit, given) {
  const slow = at("slowclock")?.dataset;
  if (!slow || slow.unit !== unit || !given || minutesTo(slow.until) <= 0) return "";
  const all = allOf(unit, Number(slow.given), given);
  if (all <= Number(slow.most)) return "";
  return `${Math.round(all)} mL of unit ${unit} by ${slow.by} is more than the ${Math.round(Number(slow.most))} mL of its slow start.`;
}

// What entering the typed volumes would do, said before they are entered.
function showAhead() {
  const form = at("entry");
  if (!form) return;
  const touch = touchesLeft()[0];
  const now = balance(movedOnly(notOnBoard()));
  const [given, drawn] = [number(form.elements.in_ml.value), number(form.elements.out_ml.value)];
  const words = [];
  if (!Number.isFinite(given) || !Number.isFinite(drawn)) words.push(say("stop", "Stop", "A volume is a number in mL."));
  else if (drawn - given > now.under) {
    const limit = `the limit of one draw is ${Math.round(now.under)} mL.`;
    words.push(say("stop", "Stop", `${Math.round(drawn - given)} mL drawn without return: ${limit}`));
  } else {
    const after = { ...now, all: now.all + given - drawn };
    const [state, sentence] = judged(after);
    const brings = `This would bring the balance to ${signed(after.all)} mL, ${sentence}.`;
    if (state !== "tick" && (given || drawn)) words.push(say(state, state === "stop" ? "Stop" : "Check", brings));
  }
  const unit = form.elements.unit.value;
  const asks = tooMuch(touch, unit, given) || tooFast(unit, given);
  if (asks) words.push(say("check", "Check", `${asks} Enter it only if so much has gone in.`));
  if (halted() && (given || drawn)) words.unshift(say("check", "Check", "Stopped: enter only what was given or drawn before the stop."));
  else if (touch?.waits) words.unshift(say("check", "Check", touch.waits));
  at("ahead").replaceChildren(...words.slice(0, 2));
}

// What speaks against so many red cells of the units started here, said while the totals are typed.
function showCells(form) {
  const units = at("cells").dataset;
  const given = number(form.elements.red_cells_in_ml.value);
  const words = [];
  if (units.more && given > Number(units.most)) {
    const all = `${Math.round(given).toLocaleString("en-GB")} mL of`;
    const each = `${Math.round(given / Number(units.units)).toLocaleString("en-GB")} mL each`;
    const of = units.units === "1" ? "1 unit" : `${units.units} units, ${each},`;
    words.push(say("check", "Check", `${all} ${of} ${units.more}. Enter it only if the machine states so.`));
  }
  at("totalsask").replaceChildren(...words);
}

const PROBLEMS = {
  cut: "The server cannot be reached. They are kept in this browser and sent again by themselves.",
  "sign-in": "The sign-in has ended. They are kept in this browser; sign in again and they are sent.",
};

function totalsOf({ saline_in_ml, red_cells_in_ml, units, blood_out_ml, started, ended }) {
  const volumes = `saline ${saline_in_ml}, red cells ${red_cells_in_ml} of ${units} units, blood out ${blood_out_ml} mL`;
  return `totals: ${volumes}, ${started} to ${ended}`;
}

function describe(item) {
  const made = clockWords(Date.now() - 1000 * waited(item)).slice(0, 5);
  if (item.kind === "totals") return `${made} ${totalsOf(item.fields)}`;
  if (item.kind !== "moved") return `${made} ${CALLED[item.kind] ?? item.kind}`;
  return `${made} out ${outOf(item)}, in ${number(item.fields.in_ml)} mL`;
}

function showQueue() {
  const place = at("queue");
  const waiting = queue.waiting();
  const others = waiting.filter((item) => item.by !== queue.user);
  const mine = waiting.filter((item) => item.by === queue.user);
  const parts = [];
  if (mine.length && (queue.problem || mine.some((item) => waited(item) > 1))) {
    const words = `${mine.map(describe).join("; ")}. ${PROBLEMS[queue.problem] ?? "On the way."}`;
    parts.push(say("check", `${mine.length} not yet saved`, queue.storesNothing ? `${words} This browser stores nothing: do not close the page.` : words));
    if (queue.problem === "sign-in") parts.at(-1).append(link(run.dataset.signIn, "Sign in again"));
  }
  if (others.length) {
    parts.push(say("check", `${others.length} of somebody else not yet saved`, `${others.map(describe).join("; ")}. Sent once the person who entered them signs in here.`));
  }
  for (const item of queue.items().filter((one) => one.refused)) {
    const box = say("stop", "Not saved", `${describe(item)}: ${item.refused.join(" ")} `);
    const button = document.createElement("button");
    button.className = "btn";
    button.type = "button";
    button.textContent = "Dismiss";
    button.addEventListener("click", () => queue.dismiss(item.key));
    box.append(button);
    parts.push(box);
  }
  if (signedOut && !mine.length) {
    parts.push(say("check", "Signed out", "The sign-in has ended. What you enter is kept in this browser; sign in again and it is sent."));
    parts.at(-1).append(link(run.dataset.signIn, "Sign in again"));
  } else if (lost) {
    const since = `The server was last reached at ${clockWords(heard())}; what stands here is from then.`;
    parts.push(say("check", "Not connected", `${since} What you enter is kept in this browser and sent afterwards.`));
  }
  const before = place.textContent;
  const next = document.createElement("div");
  next.append(...parts);
  if (next.textContent !== before || next.children.length !== place.children.length) place.replaceChildren(...next.children);
}

function link(address, words) {
  const anchor = document.createElement("a");
  anchor.href = `${address}?next=${encodeURIComponent(window.location.pathname)}`;
  anchor.textContent = words;
  return anchor;
}

// The board anew

async function refresh(from = board().dataset.last) {
  let said;
  try {
    const answer = await fetch(run.dataset.since.replace(/0\/$/, `${from}/`), {
      redirect: "manual",
      signal: AbortSignal.timeout(POLL_MS * 3),
    });
    signedOut = answer.type === "opaqueredirect" || answer.status === 401 || answer.status === 403;
    if (signedOut) forget();
    if (!answer.ok) throw new Error("no answer");
    said = await answer.json();
  } catch {
    lost = !signedOut;
    showQueue();
    return;
  }
  if (lost) queue.send();
  lost = false;
  hear();
  if (said.state !== board().dataset.state) window.location.reload();
  else if (said.html) replace(said.html);
  show();
}

function replace(html) {
  const page = new DOMParser().parseFromString(html, "text/html");
  const fresh = page.getElementById("board");
  if (Number(fresh.dataset.last) < Number(board().dataset.last)) return; // an answer that was overtaken
  Object.assign(board().dataset, { last: fresh.dataset.last, keys: fresh.dataset.keys });
  for (const region of Object.keys(served)) served[region] = page.getElementById(region).innerHTML;
  serverNow = Date.parse(fresh.dataset.now);
  receivedAt = performance.now();
  for (const region of page.querySelectorAll("[data-region]")) {
    const here = at(region.id);
    const typing = here && [...here.querySelectorAll("input:not([type=hidden])")].some(isDirty);
    if (!here || typing || here.innerHTML === region.innerHTML) continue;
    const focused = here.contains(document.activeElement) ? document.activeElement.id : "";
    here.innerHTML = region.innerHTML;
    if (focused) takeUp(at(focused));
  }
  if (at("dim")) at("dim").hidden = false;
  showPlace();
  tick();
}

function takeUp(field) {
  field?.focus();
  if (field?.matches("input")) field.select();
}

async function poll() {
  polls += 1;
  if (!document.hidden) await refresh(polls % WHOLE_EVERY ? undefined : 0);
  setTimeout(poll, POLL_MS);
}

// Entering

function fieldsOf(form) {
  const typed = [...new FormData(form)].filter(([name, value]) => !NOT_FIELDS.has(name) && value !== "");
  return Object.fromEntries(typed.map(([name, value]) => [name, String(value).trim()]));
}

function unusual(form) {
  const boxes = [...form.querySelectorAll("[data-low]")].filter((box) => box.value.trim());
  return boxes
    .filter((box) => number(box.value) < Number(box.dataset.low) || number(box.value) > Number(box.dataset.high))
    .map((box) => `${box.dataset.words} ${box.value}: usual is ${box.dataset.low} to ${box.dataset.high}.`)
    .join(" ");
}

// Values out of the usual range are asked about once; the same values again are taken.
function asksFirst(form) {
  const asks = form.querySelector(".asks");
  if (!asks) return false;
  const words = unusual(form);
  if (!words || asks.querySelector(".what").textContent === words) return false;
  asks.querySelector(".what").textContent = words;
  asks.hidden = false;
  asks.scrollIntoView({ block: "nearest" });
  return true;
}

function undoLast(fields) {
  const undoable = notOnBoard().filter((item) => !["undo", "both", "time"].includes(item.kind));
  const last = undoable.at(-1);
  return last ? { target_key: last.key } : fields;
}

// A reaction stops the run at once. The first actions open here where the server does not answer, and the stop is kept.
async function stopForReaction(form) {
  const soon = setTimeout(() => at("first").showModal(), SOON_MS);
  try {
    const said = { method: "POST", body: new FormData(form), signal: AbortSignal.timeout(LONGEST_STOP_MS) };
    const answer = await fetch(form.action, said);
    if (!answer.ok || !answer.url.includes("/reaction/")) throw new Error("not stopped");
    window.location.assign(answer.url);
  } catch {
    if (!at("first").open) at("first").showModal();
    queue.add("pause", { words: at("first").dataset.words }, Number(board().dataset.last));
  } finally {
    clearTimeout(soon);
  }
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.reaction !== undefined) {
    event.preventDefault();
    stopForReaction(form);
    return;
  }
  const kind = form.dataset.entry;
  if (!kind) return;
  event.preventDefault();
  let fields = fieldsOf(form);
  if (kind === "moved" && !number(fields.out_ml) && !number(fields.in_ml) && !fields.weighed_g) {
    at("ahead").replaceChildren(say("check", "Check", "Enter a volume in, out or both."));
    return;
  }
  if (kind === "observation" && asksFirst(form)) return;
  if (!form.reportValidity()) return; // a form that is shut takes what was typed with it
  if (form.id === "undo") fields = undoLast(fields);
  if (kind === "undo" && !fields.target && !fields.target_key) return;
  // The boxes are as they were before the next touch is put into them.
  form.reset();
  form.querySelector(".asks")?.setAttribute("hidden", "");
  if (form.querySelector(".what")) form.querySelector(".what").textContent = "";
  if (at("weighed")) at("weighed").textContent = "";
  at("totalsask")?.replaceChildren();
  form.closest("dialog")?.close();
  queue.add(kind, fields, Number(board().dataset.last));
});

document.addEventListener("input", (event) => {
  if (event.target.closest("#entry")) showAhead();
  const totals = event.target.closest("#totals form");
  if (totals) showCells(totals);
  const bag = event.target.closest("#weigh form");
  if (bag) {
    const grams = number(bag.elements.weighed_g.value);
    const ready = bag.elements.bag.value && grams > 0;
    at("weighed").textContent = ready ? `${weighed(grams, tareOf(bag.elements.bag.value))} mL of blood` : "";
  }
});

document.addEventListener("click", (event) => {
  const opener = event.target.closest("[data-dialog]");
  if (opener) {
    event.preventDefault();
    if (opener.dataset.target) {
      at("time_target").value = opener.dataset.target;
      at("time_words").textContent = opener.getAttribute("aria-label").replace(/^[^:]*: /, "");
      opener.closest("dialog")?.close();
    }
    at(opener.dataset.dialog).showModal();
  } else if (event.target.closest("#dim")) {
    dim(document.body.dataset.light !== "dim");
  }
});

// Dim light is chosen for this device, never by the clock.

function dim(wanted) {
  if (wanted) document.body.dataset.light = "dim";
  else delete document.body.dataset.light;
  try {
    localStorage.setItem("ebbline-light", wanted ? "dim" : "bright");
  } catch {
    // the choice then holds for this page only
  }
}

// When the server last answered: it says no more than that, and stands also after a reload without the network.

const HEARD = `ebbline-heard-${run.dataset.session}`;

function hear() {
  try {
    localStorage.setItem(HEARD, String(Date.now()));
  } catch {
    // the board's own moment is then the last that is known
  }
}

const heard = () => Number(localStorage.getItem(HEARD)) || Date.parse(board().dataset.now);

// This page and its files are kept for a reload without the network, while the session runs and somebody is signed in.

async function keepPage() {
  if (!run.dataset.keeper || !navigator.serviceWorker) return;
  try {
    await navigator.serviceWorker.register(run.dataset.keeper);
    const worker = (await navigator.serviceWorker.ready).active;
    const files = performance.getEntriesByType("resource").map((one) => one.name);
    worker.postMessage({ keep: files.filter((name) => new URL(name).pathname.match(/\.(css|js|woff2?)$/) && !name.endsWith("/keep.js")) });
  } catch {
    // without it everything but a reload without the network works
  }
}

async function forget() {
  const reach = window.location.pathname;
  if (window.caches) await caches.delete(`ebbline-run ${reach}`);
}

// The current step and its unit are scrolled to when they change, not under a hand that scrolls.

let placeShown = "";

function showPlace() {
  // The step first: where both lie in one part, it is the one that is scrolled to.
  const rows = [...document.querySelectorAll("#steps tr.now"), ...document.querySelectorAll("#units tr.next")];
  const place = rows.map((row) => row.rowIndex).join();
  if (place === placeShown) return;
  placeShown = place;
  const done = new Set();
  for (const row of rows) {
    const part = scrolledPart(row);
    if (!done.has(part)) scrollTo(part, row);
    done.add(part);
  }
}

// From the top where that shows the row, else past the heading, with one more row to come where there is room.
function scrollTo(part, row) {
  const bottom = row.getBoundingClientRect().bottom - part.getBoundingClientRect().top + part.scrollTop;
  const more = part.clientHeight > 5 * row.offsetHeight ? row.offsetHeight : 0;
  const heading = part.querySelector("table").offsetTop;
  part.scrollTop = bottom <= part.clientHeight ? 0 : Math.max(heading, bottom + more - part.clientHeight);
}

// What is said above takes room from the steps: the current one is brought back into what is left.
new ResizeObserver(() => {
  placeShown = "";
  showPlace();
}).observe(document.querySelector(".rb"));

function scrolledPart(row) {
  const part = row.closest("section");
  return getComputedStyle(part).overflowY === "auto" ? part : part.parentElement;
}

// The clocks of observations and of a slow start

const minutesTo = (iso) => Math.ceil((Date.parse(iso) - serverNow - (performance.now() - receivedAt)) / 60000);

function tickSlow() {
  const clock = at("slowclock");
  if (!clock) return;
  const left = minutesTo(clock.dataset.until);
  at("slowleft").textContent = left > 0 ? `${left} min left` : "over";
  clock.classList.toggle("q", left <= 0);
  const words = left > 0 ? clock.dataset.said : clock.dataset.over;
  if (slowSaid === words) return;
  at("live").textContent = slowSaid = words;
  if (byHand) showAhead(); // it also said what is too much while the unit starts slowly
}

function tick() {
  tickSlow();
  const clock = at("clock");
  if (!clock) return;
  const left = minutesTo(clock.dataset.due);
  const unit = document.createElement("span");
  unit.className = "u";
  unit.textContent = left > 0 ? " min" : left < 0 ? ` for ${-left} min` : " now";
  clock.classList.toggle("over", left <= 0);
  clock.replaceChildren(left > 0 ? String(left) : "due", unit);
  if (left <= 0 && dueSaid !== clock.dataset.due) {
    dueSaid = clock.dataset.due;
    at("loud").textContent = `Observations are due: ${clock.dataset.why}.`;
  }
}

window.addEventListener("beforeunload", (event) => {
  if (queue.storesNothing) event.preventDefault();
});

if (localStorage.getItem("ebbline-light")) dim(localStorage.getItem("ebbline-light") === "dim");
at("dim").hidden = false;
// What was typed before a reload is not what the plan asks for now.
for (const form of document.querySelectorAll("form[data-entry]")) form.reset();
show();
showPlace();
queue.send();
tick();
keepPage();
refresh();
setInterval(tick, 5000);
setTimeout(poll, POLL_MS);
