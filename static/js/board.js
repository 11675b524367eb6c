// Moves on the plan board: M or the button picks a card up, arrows go from day to day and from source to source, Enter
// puts it down, Esc puts it back; or it is dragged. Each day says by the checker whether the card fits. What is put
// down is the form of "Move to…", so that a refusal is read there and nothing is lost.
const board = document.querySelector("[data-board]");
const said = document.querySelector("#board-said");
const KEPT = "board-moved";
let held = null;

const days = () => [...board.querySelectorAll("[data-session]")];
const drops = () => [...board.querySelectorAll("[data-drop]")];
const tell = (words) => { said.textContent = words; };

async function pickUp(card, source = "") {
  if (!source) putBack(false);
  const mine = { card, found: null };
  held = mine;
  card.classList.add("held");
  card.querySelector("[data-pick]").setAttribute("aria-pressed", "true");
  const answer = await fetch(card.dataset.fits + (source && `?source=${source}`)).catch(() => null);
  const found = await answer?.json().catch(() => null);
  if (held !== mine) return; // put back meanwhile
  if (!answer?.ok || !found) {
    putBack();
    tell(found?.problem ?? "");
    location.assign(card.dataset.move); // the form says what is wrong
    return;
  }
  mine.found = found;
  drops().forEach((drop) => drop.remove());
  for (const day of days()) offer(day, found, card);
  const first = drops().find((drop) => drop.classList.contains("fits")) ?? drops()[0];
  if (!mine.dragged) first?.focus();
}

function offer(day, found, card) {
  const out = day.dataset.session === "";
  const verdict = out
    ? { fits: Boolean(card.dataset.out), words: board.dataset.takeOut }
    : found.days[day.dataset.session];
  if (!verdict || (out && !verdict.fits)) return;
  const drop = document.createElement("button");
  drop.type = "button";
  drop.dataset.drop = day.dataset.session;
  drop.className = verdict.fits ? "board-free fits" : "board-free";
  drop.setAttribute("aria-disabled", String(!verdict.fits));
  drop.textContent = out || !verdict.fits ? verdict.words : `${verdict.words} · ${verdict.semen}`;
  drop.addEventListener("click", () => (verdict.fits ? putDown(drop.dataset.drop) : tell(verdict.words)));
  (day.querySelector(".bar") ?? day.querySelector("h2")).after(drop);
}

function putDown(session) {
  const { card, found } = held;
  const out = session === "";
  const values = out ? {} : { session, source: found.source ?? "", queens: found.queens, version: found.version };
  const form = document.createElement("form");
  form.method = "post";
  form.action = out ? card.dataset.out : card.dataset.move;
  values.csrfmiddlewaretoken = document.querySelector("[name=csrfmiddlewaretoken]").value;
  for (const [name, value] of Object.entries(values)) {
    form.append(Object.assign(document.createElement("input"), { type: "hidden", name, value }));
  }
  try {
    sessionStorage.setItem(KEPT, card.dataset.booking);
  } catch {
    said.dataset.unkept = ""; // a private window may refuse; the focus then starts at the top
  }
  document.body.append(form);
  form.submit();
}

function putBack(focus = true) {
  if (!held) return;
  const { card } = held;
  held = null;
  drops().forEach((drop) => drop.remove());
  card.classList.remove("held");
  const pick = card.querySelector("[data-pick]");
  pick.setAttribute("aria-pressed", "false");
  if (focus) pick.focus();
}

function step(by) {
  const all = drops();
  const next = all[(all.indexOf(document.activeElement) + by + all.length) % all.length];
  next?.focus();
}

function otherSource(by) {
  const { card, found } = held;
  const at = found.sources.indexOf(found.source);
  if (found.sources.length > 1) pickUp(card, found.sources[(at + by + found.sources.length) % found.sources.length]);
}

const KEYS = {
  ArrowRight: () => step(1),
  ArrowLeft: () => step(-1),
  ArrowDown: () => otherSource(1),
  ArrowUp: () => otherSource(-1),
  Escape: () => putBack(),
};

board?.addEventListener("click", (event) => {
  const card = event.target.closest("[data-pick]")?.closest("[data-fits]");
  if (!card) return;
  if (held?.card === card) putBack();
  else pickUp(card);
});

document.addEventListener("keydown", (event) => {
  if (!board || event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, textarea, select")) return;
  const card = event.target.closest("[data-fits]");
  if (event.key.toLowerCase() === "m" && card && !held) {
    event.preventDefault();
    pickUp(card);
  } else if (held && KEYS[event.key] && (held.found || event.key === "Escape")) {
    event.preventDefault();
    KEYS[event.key]();
  }
});

for (const card of board?.querySelectorAll("[data-fits]") ?? []) {
  card.draggable = true;
  card.addEventListener("dragstart", (event) => {
    event.dataTransfer.setData("text/plain", card.dataset.booking);
    event.dataTransfer.effectAllowed = "move";
    pickUp(card);
    held.dragged = true;
  });
  card.addEventListener("dragend", () => putBack(false));
}

const under = (event) => event.target.closest?.("[data-session]")?.querySelector("[data-drop].fits");

board?.addEventListener("dragover", (event) => {
  if (held && under(event)) event.preventDefault();
});
board?.addEventListener("drop", (event) => {
  const drop = held && under(event);
  if (!drop) return;
  event.preventDefault();
  putDown(drop.dataset.drop);
});

// After a move the card that was moved has the focus again.
try {
  const moved = sessionStorage.getItem(KEPT);
  sessionStorage.removeItem(KEPT);
  if (moved) board?.querySelector(`[data-booking="${CSS.escape(moved)}"] [data-pick]`)?.focus();
} catch {
  if (said) said.dataset.unkept = "";
}
