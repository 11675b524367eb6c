// On every page of somebody who is signed in: what is written down here is kept on the device first, then sent. Forms
// marked data-entry become entries; data-facts is what they are about. Without this script they go to the server as
// they are. A form with data-when="away" does so too once the server has answered: its errors stand beside its fields.
import { DeviceClock } from "./clock.js";
import { isNearlyFull, keepOrMakeRoom, keepPage } from "./device.js";
import { askedFirst, clearRefusals, faultOf, fieldOf, showRefusal } from "./refuse.js";
import { Sender } from "./send.js";
import { drawSent, filled, wordsOf } from "./sent.js";
import { randomId, Store } from "./store.js";

const NOT_FACTS = ["csrfmiddlewaretoken", "next", "version"];
const ONE_WAY = ["check", "count"]; // once sent they are corrected by writing them down again
const NEARLY_MS = 10_000;
const root = document.documentElement;

class Keeper {
  constructor(box, store) {
    this.store = store;
    this.person = Number(box.dataset.person);
    this.session = `hive-${box.dataset.cooperative}`;
    this.urls = { data: box.dataset.data, entries: box.dataset.entries, tries: box.dataset.tries };
    this.words = wordsOf(document);
    this.box = box;
    this.marked = new Map();
    this.channel = new BroadcastChannel("hive");
    this.isAway = root.dataset.copy !== undefined;
  }

  async start() {
    this.clock = new DeviceClock((await this.store.get("offset_ms")) ?? null);
    await this.measure();
    this.sender = this.senderOf(this.session, this.urls, (status) => this.told(status), (data) => this.fresh(data));
    this.channel.onmessage = () => this.sender.push();
    document.addEventListener("submit", (event) => this.submitted(event), { capture: true });
    document.addEventListener("click", (event) => this.clicked(event));
    addEventListener("offline", () => this.sender.tell("no_signal"));
    this.sayCopy();
    await this.markKept();
    root.dataset.keeperReady = "";
  }

  // A page fresh from the server says what time it is there, nearly; what sending measures is nearer.
  async measure() {
    const began = performance.timeOrigin + (performance.getEntriesByType("navigation")[0]?.responseStart ?? 0);
    const offset = Math.round(Date.parse(this.box.dataset.drawn) - began);
    if (this.isAway || Math.abs(offset - (this.clock.offset ?? Infinity)) < NEARLY_MS) return;
    this.clock.offset = offset;
    await this.store.put("offset_ms", offset);
  }

  // Asks nothing of the network where nothing waits.
  async send() {
    const { own } = await this.store.countUnsent(this.person);
    if (!own) return this.sender.tell(this.isAway || !navigator.onLine ? "no_signal" : "sent");
    this.sendOthers();
    return this.sender.push();
  }

  senderOf(session, urls, told, fresh) {
    return new Sender({ store: this.store, clock: this.clock, session, person: this.person, urls, told, fresh });
  }

  // What was kept elsewhere on this device and not sent there, taps at the bench for example, goes out from here.
  async sendOthers() {
    const waiting = await this.store.unsent(this.person);
    for (const session of new Set(waiting.map((entry) => entry.session))) {
      if (session === this.session) continue;
      const home = /^hive-(\d+)$/.exec(session);
      const base = home ? `/kept/${home[1]}/` : `/bench/${session}/`;
      await this.senderOf(session, { data: `${base}data/`, entries: `${base}entries/` }, () => {}, () => {}).push();
      await this.sender.tell(this.sender.status);
    }
  }

  // Keeps one entry; null when there is no room for it.
  async keep(kind, facts, at = this.clock.look()) {
    const entry = { id: randomId(), session: this.session, person: this.person, kind, facts, ...at };
    const kept = await keepOrMakeRoom(this.store, entry);
    if (!kept) {
      this.say(this.words("full"));
      return null;
    }
    root.dataset.kept = Number(root.dataset.kept ?? 0) + 1;
    document.dispatchEvent(new CustomEvent("hive:kept", { detail: kept }));
    this.channel.postMessage("kept");
    this.sender.tapped();
    return kept;
  }

  clicked(event) {
    const opener = event.target.closest("[data-put-off]");
    const closer = event.target.closest("dialog [data-close]");
    const undo = event.target.closest("[data-undo-entry]");
    const gas = event.target.closest("[data-gas]");
    const dialog = document.getElementById("put-off");
    if (opener && dialog) {
      event.preventDefault();
      const form = dialog.querySelector("form");
      form.dataset.facts = JSON.stringify({ reminder: Number(opener.dataset.putOff), act: "put_off" });
      clearRefusals(form);
      form.dataset.said = opener.dataset.said;
      this.row = opener.closest("[data-row]");
      dialog.querySelector("h2").textContent = opener.dataset.said;
      dialog.showModal();
    } else if (closer) closer.closest("dialog").close();
    else if (undo) this.undo(undo);
    else if (gas) this.gas(gas);
  }

  get hasSignal() {
    return navigator.onLine && !this.isAway && this.sender.status === "sent";
  }

  async submitted(event) {
    const form = event.target;
    if (!form.dataset.entry) return;
    if (form.dataset.answered !== undefined) {
      delete form.dataset.answered; // the server is there: it takes the form itself
      return;
    }
    event.preventDefault();
    event.stopPropagation();
    if (form.dataset.asking !== undefined) return;
    form.dataset.asking = "";
    event.submitter?.setAttribute("data-busy", "");
    try {
      await this.entered(form, event.submitter);
    } finally {
      delete form.dataset.asking;
      if (form.dataset.sent === undefined) event.submitter?.removeAttribute("data-busy");
    }
  }

  async entered(form, submitter) {
    clearRefusals(form);
    const kind = form.dataset.entry;
    const fault = faultOf(form, this.today(), this.words);
    const isServers = form.dataset.when === "away";
    if (fault && !(isServers && this.hasSignal)) return showRefusal(form, fault.field, fault.text);
    const row = form.closest("dialog") ? this.row : form.closest("[data-row]");
    const facts = { ...JSON.parse(form.dataset.facts ?? "{}"), ...factsOf(form, submitter) };
    const at = this.clock.look();
    const asks = isServers || !form.dataset.facts.includes('"reminder"') || facts.act === "put_off";
    const answer = asks && this.hasSignal ? await askedFirst(this, [{ kind, facts, at }]) : null;
    if (answer && isServers) {
      form.dataset.answered = "";
      return form.requestSubmit(submitter);
    }
    if (answer?.[0]) return showRefusal(form, fieldOf(form, answer[0].field), answer[0].words);
    const kept = await this.keep(kind, facts, at);
    if (!kept) return null;
    form.closest("dialog")?.close();
    if (form.dataset.then && (await this.opens(form.dataset.then))) return location.assign(form.dataset.then);
    const said = facts.act === "let_go" && row ? this.words("let_go_said", { what: titleOf(row) }) : form.dataset.said;
    return this.mark(row ?? form, kept, said);
  }

  // Whether a page opens now: there is a signal, or this device has seen it.
  async opens(path) {
    return this.hasSignal || Boolean(await caches.match(path, { ignoreSearch: true }));
  }

  // The day by the clock of the server, where the device is.
  today() {
    const now = new Date(this.clock.now());
    const two = (number) => String(number).padStart(2, "0");
    return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
  }

  // Gas on and gas off are moments; the one that is on is kept over a reload.
  async gas(button) {
    const form = button.closest("form");
    const key = `gas:${this.session}:${this.person}:${form.dataset.facts}`;
    const { at, offset_ms } = this.clock.look();
    const started_at = await this.store.get(key);
    if (button.dataset.gas === "on") {
      await this.store.put(key, at);
      return drawGas(form, at);
    }
    if (button.dataset.gas === "off" && started_at) {
      const facts = { ...JSON.parse(form.dataset.facts), started_at, ended_at: at };
      const kept = await this.keep("co2", facts, { at, offset_ms });
      if (!kept) return null;
      this.mark(form.closest("[data-row]"), kept, form.dataset.said);
    }
    await this.store.put(key, null);
    return drawGas(form, null);
  }

  // What is kept here and not on the page yet stands on it, after a reload too.
  async markKept() {
    for (const form of document.querySelectorAll("form[data-gas-key]")) {
      drawGas(form, (await this.store.get(`gas:${this.session}:${this.person}:${form.dataset.facts}`)) ?? null);
    }
    const entries = await this.store.unsent(this.person, this.session);
    const undone = new Set(entries.filter((entry) => entry.kind === "undo").map((entry) => entry.facts.of));
    for (const entry of entries) {
      if (undone.has(entry.id)) continue;
      const form = [...document.querySelectorAll("form[data-entry]")].find((each) => isAbout(each, entry));
      if (form) this.mark(form.closest("[data-row]") ?? form, entry, form.dataset.said, false);
      const place = [...document.querySelectorAll("[data-kept-of]")].find((each) => isAbout(each, entry));
      if (place) this.mark(this.line(place, entry), entry, "", false);
    }
  }

  // A line of its own for what was entered on another page.
  line(place, entry) {
    const line = document.getElementById("kept-line").content.cloneNode(true).firstElementChild;
    line.firstElementChild.textContent = filled(place.dataset.said, entry.facts);
    place.append(line);
    return line;
  }

  mark(row, entry, said, toasts = true) {
    if (!row) return;
    const actions = row.querySelector(":scope > .actions, :scope .actions") ?? row;
    const note = document.getElementById("kept-note").content.cloneNode(true).firstElementChild;
    note.dataset.id = entry.id;
    note.querySelector("[data-undo-entry]").dataset.undoEntry = entry.id;
    this.marked.set(entry.id, { note, actions, before: [...actions.childNodes] });
    actions.replaceChildren(note);
    this.draw(entry);
    if (toasts) this.say(this.words(this.hasSignal ? "kept_said" : "kept_away", { what: said ?? "" }), entry.id);
  }

  draw(entry) {
    const at = this.marked.get(entry.id);
    if (!at) return;
    const state = entry.waiting ? "kept" : ["look", "held_back"].includes(entry.state) ? "needs_look" : "sent";
    const chip = document.querySelector(`template[data-chip-entry="${state}"]`).content.cloneNode(true);
    at.note.querySelector("[data-chip-place]").replaceChildren(chip);
    at.note.querySelector("[data-why]").textContent = entry.words ?? "";
    at.note.querySelector("[data-look]").hidden = state !== "needs_look";
    at.note.querySelector("[data-undo-entry]").hidden = !entry.waiting && ONE_WAY.includes(entry.kind);
  }

  async undo(button) {
    button.closest("[data-toast]")?.remove();
    for (const id of button.dataset.undoEntry.split(" ").reverse()) {
      if (!(await this.keep("undo", { of: id }))) return;
      const at = this.marked.get(id);
      if (at?.note.closest("[data-kept-of]")) at.actions.parentNode.remove();
      else if (at) at.actions.replaceChildren(...at.before);
      this.marked.delete(id);
    }
  }

  say(text, undo = null) {
    const toast = document.getElementById("kept-toast").content.cloneNode(true).firstElementChild;
    toast.querySelector("p").textContent = text;
    const button = toast.querySelector("[data-undo-entry]");
    if (undo) button.dataset.undoEntry = undo;
    else button.remove();
    document.querySelectorAll("#toasts [data-kept-toast]").forEach((earlier) => earlier.remove());
    document.getElementById("toasts").append(toast);
    toast.dispatchEvent(new Event("htmx:load", { bubbles: true })); // the script of the toasts takes it over
  }

  sayCopy() {
    const note = document.getElementById("copy-note");
    if (!this.isAway || !note) return;
    const words = note.querySelector("[data-when]");
    const drawn = new Date(this.box.dataset.drawn);
    const shown = new Intl.DateTimeFormat(root.lang || "en-GB", { weekday: "short", day: "numeric", month: "long", hour: "2-digit", minute: "2-digit" });
    words.textContent = this.words("copy", { when: shown.format(drawn) });
    note.hidden = false;
  }

  fresh(data) {
    this.who = data.person_name;
    for (const link of document.querySelectorAll("[data-looks]")) {
      link.hidden = !data.looks;
      link.querySelector("[data-n]").textContent = data.looks;
    }
  }

  async told({ status, unsent, others }) {
    if (others && status === "sent" && !unsent) drawSent(this.words, { status: "other_person", unsent: others, who: "…" });
    else drawSent(this.words, { status, unsent, who: this.who ?? "…" });
    if (status !== "sent" || !this.marked.size) return;
    const entries = await this.store.entries(this.session, this.person);
    for (const entry of entries) this.draw(entry);
    if (!unsent) await this.refresh(entries);
  }

  // With a signal the page then shows what the server has; what needs a look stays in sight.
  async refresh(entries) {
    const looks = entries.filter((entry) => this.marked.has(entry.id) && ["look", "held_back"].includes(entry.state));
    const main = document.getElementById("main");
    if (looks.length || document.querySelector("dialog[open]") || main.querySelector("input:focus, textarea:focus, [data-draft]")) return;
    const answer = await fetch(location.href, { redirect: "error", headers: { Accept: "text/html" } }).catch(() => null);
    if (!answer?.ok || answer.headers.get("X-Person") !== String(this.person)) return;
    const pages = await caches.open(`pages-${this.person}`);
    await pages.put(location.pathname + location.search, answer.clone());
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    main.replaceChildren(...page.getElementById("main").childNodes);
    document.title = page.title;
    this.marked.clear();
    this.isAway = false;
    delete root.dataset.copy;
    const note = document.getElementById("copy-note");
    if (note) note.hidden = true;
    window.htmx?.process(main);
  }
}

// What stands in the form, as text. A field with data-as says only what somebody changed.
function factsOf(form, submitter) {
  const facts = {};
  for (const [name, value] of new FormData(form, submitter)) {
    const field = form.elements[name];
    if (NOT_FACTS.includes(name) || field?.type === "hidden") continue;
    if (field?.dataset?.as) {
      if (value !== field.defaultValue) facts[field.dataset.as] = value;
    } else facts[name] = name === "hours" && form.dataset.entry === "reminder" ? Number(value) : value;
  }
  return facts;
}

const titleOf = (row) => row.querySelector(".due-what")?.textContent.trim() ?? "";

function isAbout(form, entry) {
  if ((form.dataset.entry ?? form.dataset.keptOf) !== entry.kind) return false;
  const about = JSON.parse(form.dataset.facts ?? "{}");
  if (entry.kind === "reminder") return about.reminder === entry.facts.reminder;
  return Object.entries(about).every(([name, value]) => entry.facts[name] === value);
}

function drawGas(form, since) {
  form.querySelector('[data-gas="on"]').hidden = since !== null;
  for (const name of ["off", "none"]) form.querySelector(`[data-gas="${name}"]`).hidden = since === null;
  const clock = form.querySelector("co2-clock");
  clock.hidden = since === null;
  if (since) clock.dataset.start = since;
}

const box = document.getElementById("keeper");
export const keeper = box && "indexedDB" in window ? new Keeper(box, await Store.open()) : null;
if (keeper) {
  await keeper.start();
  settle();
}

// Other modules of the page do not wait for this.
async function settle() {
  await keeper.send();
  if (await isNearlyFull()) keeper.say(keeper.words("nearly_full"));
  await keepPage(keeper.person);
}
