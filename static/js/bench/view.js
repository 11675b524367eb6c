// Draws the state into the page that the server drew first. Words and parts come from the page's templates.
import { drawTip } from "./capillary.js";
import { lotLeft } from "./reduce.js";
import { AWAY, canDraw, free, isMixture, lotLabel, lotWords, sisters } from "./rules.js";

const one = (selector) => document.querySelector(selector);
const all = (selector) => document.querySelectorAll(selector);
const part = (name) => all(`[data-part="${name}"]`);
const DEALT_WITH = ["inseminated", "second_co2", "set_aside", "lost"];

const number = new Intl.NumberFormat(document.documentElement.lang || "en-GB", { maximumFractionDigits: 1 });
export const ul = (tenths) => `${number.format(tenths / 10)} µl`;

// "8,5", "8.5" or "8" as whole tenths; anything else: null.
export function tenthsOf(text) {
  const value = String(text).trim().replace(",", ".");
  return /^\d{1,4}(\.\d?)?$/.test(value) ? Math.round(Number(value) * 10) : null;
}

const setText = (name, text) =>
  part(name).forEach((each) => {
    if (each.textContent !== String(text)) each.textContent = text;
  });
const setHidden = (name, hidden) => part(name).forEach((each) => (each.hidden = hidden));

export class View {
  constructor(page, words, clock) {
    Object.assign(this, { page, words, clock, chosen: null, shownPlace: undefined, drawn: new Map(), standing: new Map() });
  }

  // A tap changes two figures: what stands as it stood is not drawn again.
  isNew(name, ...facts) {
    const now = JSON.stringify(facts);
    if (this.drawn.get(name) === now) return false;
    this.drawn.set(name, now);
    return true;
  }

  isDone(place) {
    const { state } = this.state.queens[place.queen] ?? {};
    return place.state !== "held" || AWAY.includes(state) || (!place.second && DEALT_WITH.includes(state));
  }

  // The queen chosen, else the one on the hook, else the next who waits.
  current() {
    const rows = this.data.places.map((info) => ({ info, place: this.state.places[info.id] })).filter((row) => row.place);
    const queenOf = (row) => this.state.queens[row.place.queen];
    return (
      rows.find((row) => row.info.id === this.chosen) ??
      rows.find((row) => queenOf(row)?.state === "on_hook") ??
      rows.find((row) => queenOf(row) && !this.isDone(row.place)) ??
      null
    );
  }

  // The open lot to work with: whose tip is in the holder, else of the current queen's source, else the last one opened.
  lot() {
    const lots = Object.entries(this.state.lots).filter(([, lot]) => canDraw(lot));
    const { name, source } = this.state.tip;
    const found = [
      lots.filter(([, lot]) => name && lot.source === source && lot.tips.includes(name)),
      lots.filter(([, lot]) => lot.source === this.row?.info.source),
      lots,
    ].find((some) => some.length);
    const [id, lot] = found?.at(-1) ?? [null, null];
    return lot && { id, ...lot };
  }

  lotLabel(id) {
    return lotLabel(this.state, this.data, id);
  }

  draw(state, data) {
    Object.assign(this, { state, data });
    this.row = this.current();
    this.lotNow = this.lot();
    const queen = this.state.queens[this.row?.place.queen];
    const has = { lot: Boolean(this.lotNow), drones: this.lotNow && !isMixture(this.lotNow), queen: Boolean(queen) };
    for (const each of all("[data-needs]")) each.hidden = !each.dataset.needs.split(" ").every((need) => has[need]);
    this.drawWho(queen);
    this.drawLot();
    this.drawGas(queen);
    this.drawOrder();
    const loaded = Math.max(0, this.lotNow ? lotLeft(this.lotNow) : 0);
    if (this.row && this.isNew("tip", loaded, this.row.info.dose)) {
      const box = one('[data-part="tip"]');
      drawTip(box, { loaded, dose: this.row.info.dose, ul, title: box.dataset.words });
    }
  }

  drawWho(queen) {
    const box = one('[data-part="who"]');
    setHidden("all-done", Boolean(this.row));
    box.hidden = !this.row;
    if (!this.row) return;
    const { id, dose } = this.row.info;
    const label = this.data.queens[this.row.place.queen]?.label ?? "?";
    if (!this.isNew("who", id, label, queen?.state, this.row.place.state)) return;
    if (this.shownPlace !== id) {
      const template = one(`template[data-who="${id}"]`);
      if (template) box.replaceChildren(template.content.cloneNode(true));
      this.shownPlace = id;
      const form = one('form[data-kind="dose"]');
      form.elements.volume.value = number.format(dose / 10);
      form.elements.override_reason.value = "";
      for (const name of ["leak_back", "resistance", "second_planned", "more"]) form.elements[name].checked = false;
      one('[data-part="reason"]').hidden = true;
    }
    box.querySelector('[data-part="label"]').textContent = label;
    setHidden("more", this.row.place.state !== "done");
    setHidden("give-on", this.row.place.state !== "not_used" || this.row.place.second);
    const stage = box.querySelector('[data-part="stage"]');
    const chip = this.isDone(this.row.place) && one(`template[data-chip="${queen?.state}"]`);
    if (chip) stage.replaceChildren(chip.content.cloneNode(true));
    else stage.textContent = this.words(queen?.state === "on_hook" ? "on_hook" : "next");
    this.drawMarks();
  }

  drawMarks() {
    const options = Object.entries(this.data.queens)
      .filter(([, queen]) => queen.batch === this.row.info.batch)
      .map(([id, queen]) => new Option(queen.label, id, false, id === this.row.place.queen));
    one("#mark-queen").replaceChildren(...options);
  }

  // Lots that hold something, each with all of it; the fields are the operator's from then on.
  drawMix() {
    const lots = Object.entries(this.state.lots).filter(([, lot]) => canDraw(lot) && free(lot) > 0);
    const template = one("template[data-mix]");
    const fields = lots.map(([id, lot]) => {
      const field = template.content.cloneNode(true);
      const [label, input] = [field.querySelector("label"), field.querySelector("input")];
      label.textContent = this.words("mix_part", { lot: this.lotLabel(id), source: lotWords(this.data, this.words, lot) });
      input.id = label.htmlFor = `mix-${id}`;
      input.dataset.lot = id;
      input.value = number.format(free(lot) / 10);
      return field;
    });
    one('[data-part="mix-lots"]').replaceChildren(...fields);
    this.say(null, "stop", all("#mix-dialog .bench-say"));
    setHidden("mix-some", lots.length < 2);
    setHidden("mix-none", lots.length >= 2);
  }

  drawSisters() {
    const free = sisters({ state: this.state, data: this.data, info: this.row.info });
    one("#give-queen").replaceChildren(...free.map(([id, queen]) => new Option(queen.label, id)));
    one('[data-part="give-others"]').href = one('[data-part="give-on"] a').href;
  }

  drawLot() {
    const tally = this.lotNow?.tally ?? {};
    const usable = tally.usable ?? 0;
    setText("usable", usable);
    setText("none", Object.values(tally).reduce((sum, drones) => sum + drones, 0) - usable);
    for (const outcome of ["immature", "broke", "soiled", "mucus"]) setText(`tally-${outcome}`, tally[outcome] ?? "");
    setText("lot-label", this.lotNow ? this.lotLabel(this.lotNow.id) : "");
    const reading = one('form[data-kind="reading"]').elements.volume;
    if (document.activeElement !== reading) {
      reading.value = this.lotNow ? number.format(Math.max(0, lotLeft(this.lotNow)) / 10) : "";
    }
    const choices = Object.entries(this.state.lots)
      .filter(([, lot]) => canDraw(lot))
      .map(([id, lot]) => {
        const source = lotWords(this.data, this.words, lot);
        return [`${this.lotLabel(id)} · ${ul(Math.max(0, lotLeft(lot)))} · ${source}`, id, false, id === this.lotNow?.id];
      });
    if (this.isNew("lots", choices)) {
      for (const kind of ["dose", "tip"]) {
        one(`form[data-kind="${kind}"]`).elements.lot.replaceChildren(...choices.map((choice) => new Option(...choice)));
      }
    }
    const source = one('form[data-kind="lot_open"]').elements.source;
    if (!this.lotNow && this.row?.info.source && document.activeElement !== source) source.value = this.row.info.source;
    if (!this.lotNow) one('[data-part="open-lot"]').open = true;
  }

  drawGas(queen) {
    const on = Boolean(queen?.gas_since);
    for (const name of ["gas-on", "gas-stop", "gas-clock"]) setHidden(name, !on);
    for (const name of ["gas-off", "gas-start"]) setHidden(name, on);
    const clock = one('[data-part="gas-clock"]');
    clock.offset = this.clock.now() - Date.now(); // a kept page knows another hour than this one
    if (on) clock.dataset.start = new Date(queen.gas_since).toISOString();
  }

  drawOrder() {
    let done = 0;
    for (const row of all(".order-list > li[data-place]")) {
      const place = this.state.places[row.dataset.place];
      if (!place) continue;
      const queen = this.state.queens[place.queen];
      const isDone = this.isDone(place);
      done += isDone;
      const isNow = Boolean(this.row) && row.dataset.place === String(this.row.info.id);
      const label = this.data.queens[place.queen]?.label ?? "–";
      if (!this.isNew(`order${row.dataset.place}`, isDone, isNow, label, queen?.state, queen?.given)) continue;
      row.toggleAttribute("data-done", isDone);
      if (isNow) row.setAttribute("aria-current", "true");
      else row.removeAttribute("aria-current");
      row.querySelector(".code").textContent = label;
      const end = row.querySelector(":scope > span:last-of-type");
      if (isDone && queen?.given) {
        end.replaceChildren(one("template[data-check]").content.cloneNode(true), ` ${ul(queen.given)}`);
      } else {
        const template = isDone ? one(`template[data-chip="${queen?.state}"]`) : row.querySelector("template");
        if (template) end.replaceChildren(template.content.cloneNode(true));
      }
    }
    setText("done", this.words("done", { done, all: this.data.places.length }));
    setText("foot", this.words("kept"));
  }

  looks(found) {
    for (const each of part("looks")) {
      each.hidden = !found.length;
      each.querySelector("span").textContent = this.words("looks", { n: found.length });
    }
  }

  say(words, tone = "stop", boxes = part("say")) {
    for (const each of boxes) {
      each.hidden = !words;
      each.dataset.tone = tone;
      each.querySelector("p").textContent = words ?? "";
      if (words) each.scrollIntoView({ block: "nearest" });
    }
  }

  // What is so until it is mended stays beside what the last tap was answered.
  stands(name, words) {
    if (words) this.standing.set(name, words);
    else this.standing.delete(name);
    this.say([...this.standing.values()].join(" ") || null, "wait", part("stands"));
  }

  askReason(words) {
    const box = one('[data-part="reason"]');
    box.hidden = false;
    this.say(words);
    box.querySelector("input").focus();
  }
}
