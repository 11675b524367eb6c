// Drones run out: who still gets a full dose, on the tablet's own numbers. The twin of
// scheduling/planning/what_now.py; the tests hold both against each other. Volumes in tenths of a microlitre.
import { canDraw, free, sourceName } from "./rules.js";

export const SURE = 0.8;
export const HOPELESS = 0.2;
const VOLUME_PRIOR_DRONES = 10;

// Lanczos, g = 7, n = 9: relative error below 1e-13 for positive arguments (Press et al., Numerical Recipes, 6.1).
const LANCZOS = [
  0.99999999999980993, 676.5203681218851, -1259.1392167224028, 771.32342877765313, -176.61502916214059,
  12.507343278686905, -0.13857109526572012, 9.9843695780195716e-6, 1.5056327351493116e-7,
];

function logGamma(x) {
  if (x < 0.5) return Math.log(Math.PI / Math.abs(Math.sin(Math.PI * x))) - logGamma(1 - x);
  const y = x - 1;
  const sum = LANCZOS.slice(1).reduce((total, c, index) => total + c / (y + index + 1), LANCZOS[0]);
  const t = y + 7.5;
  return 0.5 * Math.log(2 * Math.PI) + (y + 0.5) * Math.log(t) - t + Math.log(sum);
}

const logBeta = (a, b) => logGamma(a) + logGamma(b) - logGamma(a + b);

const shareOf = (source) => [
  source.share_mean * source.share_kappa + source.usable,
  (1 - source.share_mean) * source.share_kappa + source.tried - source.usable,
];

function perDrone(source) {
  if (!source.usable || !source.collected) return source.tenths_per_drone;
  return (VOLUME_PRIOR_DRONES * source.tenths_per_drone + source.collected) / (VOLUME_PRIOR_DRONES + source.usable);
}

// Chance that at least k of the drones that are left are usable, for k = 0 … drones_left.
function tailOf(source) {
  const [a, b] = shareOf(source);
  const n = source.drones_left;
  const tail = new Array(n + 1).fill(0);
  let total = 0;
  for (let k = n; k >= 0; k -= 1) {
    const choose = logGamma(n + 1) - logGamma(k + 1) - logGamma(n - k + 1);
    total += Math.exp(choose + logBeta(k + a, n - k + b) - logBeta(a, b));
    tail[k] = Math.min(1, total);
  }
  return tail;
}

// queens: [[queen, source, dose], …], the first claim first. Returns {queen: {fate, chance}}.
export function whatNow(sources, queens) {
  const tails = Object.fromEntries(Object.entries(sources).map(([name, source]) => [name, tailOf(source)]));
  const taken = {};
  const verdicts = {};
  for (const [queen, name, dose] of queens) {
    const source = sources[name];
    const missing = (taken[name] ?? 0) + dose - source.left;
    const drones = Math.ceil(missing / perDrone(source) - 1e-9);
    const chance = missing <= 0 ? 1 : (tails[name][drones] ?? 0);
    const fate = chance >= SURE ? "dose" : chance < HOPELESS ? "move" : "wait";
    if (fate !== "move") taken[name] = (taken[name] ?? 0) + dose;
    verdicts[queen] = { fate, chance };
  }
  return verdicts;
}

const MIXED = { called: 0, share_mean: 0.5, share_kappa: 1, tenths_per_drone: 10 };

// Each source as it stands on this tablet: today's tallies, semen in its lots, drones left as counted or as called.
export function sourcesNow(state, data, dronesLeft = {}) {
  const found = {};
  const toMix = new Set([null, ...(data.what_now.to_mix ?? [])]); // sources the plan names for pools alone
  for (const [key, known] of Object.entries({ mixed: MIXED, ...data.what_now.sources })) {
    const lots = Object.entries(state.lots).filter(([, lot]) => (toMix.has(lot.source) ? "mixed" : String(lot.source)) === key);
    const here = lots.filter(([id]) => data.lots[id]?.here ?? true).map(([, lot]) => lot);
    const sum = (list, of) => list.reduce((total, lot) => total + of(lot), 0);
    const tried = sum(here, (lot) => Object.values(lot.tally).reduce((total, drones) => total + drones, 0));
    found[key] = {
      ...known,
      left: sum(lots.map(([, lot]) => lot).filter(canDraw), (lot) => Math.max(0, free(lot))),
      usable: sum(here, (lot) => lot.tally.usable ?? 0),
      tried,
      drones_left: dronesLeft[key] ?? Math.max(0, Math.max(known.called, sum(here, (lot) => lot.pooled ?? 0)) - tried),
      collected: sum(here, (lot) => lot.collected),
    };
  }
  return found;
}

// Queens who wait, who is on the hook first, then in the published order.
export function queensNow(state, data, isDone) {
  const info = new Map(data.places.map((place) => [place.id, place]));
  const waiting = data.what_now.order.filter((id) => state.places[id]?.queen && !isDone(state.places[id]));
  const onHook = (id) => state.queens[state.places[id].queen]?.state === "on_hook";
  return [...waiting.filter(onHook), ...waiting.filter((id) => !onHook(id))].map((id) => [
    String(id),
    String(info.get(id)?.source ?? "mixed"),
    info.get(id)?.dose ?? 80,
  ]);
}

// The dialog on the bench page: drones left to type in, verdicts as they change.
export class WhatNow {
  constructor(dialog, view, words, ul) {
    Object.assign(this, { dialog, view, words, ul });
    this.drones = dialog.querySelector('[data-part="now-drones"]');
    this.list = dialog.querySelector('[data-part="now-queens"]');
    this.link = dialog.querySelector('[data-part="now-keep"]');
    this.address = this.link.getAttribute("href");
    dialog.addEventListener("input", () => this.draw());
  }

  open() {
    const { state, data } = this.view;
    const sources = sourcesNow(state, data);
    const template = this.dialog.querySelector("template[data-drones]");
    this.drones.replaceChildren();
    for (const [key, source] of Object.entries(sources).filter(([name]) => name !== "mixed")) {
      const field = template.content.cloneNode(true);
      const [label, input] = [field.querySelector("label"), field.querySelector("input")];
      label.textContent = this.words("drones_of", { source: sourceName(data, this.words, Number(key)) });
      input.id = label.htmlFor = `left${key}`;
      input.name = key;
      input.value = source.drones_left;
      this.drones.append(field);
    }
    this.draw();
  }

  draw() {
    const { state, data } = this.view;
    const typed = [...this.drones.querySelectorAll("input")].filter((input) => /^\d{1,4}$/.test(input.value));
    const left = Object.fromEntries(typed.map((input) => [input.name, Number(input.value)]));
    const queens = queensNow(state, data, (place) => this.view.isDone(place));
    const verdicts = whatNow(sourcesNow(state, data, left), queens);
    this.list.replaceChildren(...queens.map((queen) => this.row(queen, verdicts[queen[0]])));
    this.link.href = `${this.address}?${new URLSearchParams(typed.map((input) => [`left${input.name}`, input.value]))}`;
  }

  row([place, , dose], { fate, chance }) {
    const { state, data } = this.view;
    const day = data.what_now.next[place];
    const name = fate === "move" && !day ? "now_queue" : `now_${fate}`;
    const row = document.createElement("li");
    for (const [css, text] of [
      ["", ""],
      ["code", data.queens[state.places[place].queen]?.label ?? "–"],
      ["", `${this.ul(dose)} · ${this.words(name, { chance: Math.round(100 * chance), day })}`],
    ]) {
      row.append(Object.assign(document.createElement("span"), { className: css, textContent: text }));
    }
    row.dataset.fate = fate;
    return row;
  }
}
