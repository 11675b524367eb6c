// The score sheet: one trait a screen, back and forth, a look over all, then each score is an entry of its own. What is
// not kept yet is a draft that outlives a reload. Without this script the same form goes to the server as it stands.
import { keeper } from "./page.js";
import { askedFirst } from "./refuse.js";

const form = document.getElementById("sheet");
const NUMBER = /^\d{1,6}([.,]\d{1,3})?$/;

class Sheet {
  constructor() {
    this.words = keeper.words;
    this.key = `draft:${keeper.session}:${keeper.person}:${form.dataset.colony ?? "round"}`;
    this.steps = [...form.querySelectorAll("section[data-step]")];
    this.at = 0;
    this.scored = new Set();
  }

  async start() {
    form.dataset.wizard = "";
    form.removeAttribute("data-once");
    this.go = form.querySelector("[data-go]");
    this.back = form.querySelector("[data-back]");
    this.over = form.querySelector("[data-review]");
    form.querySelector("[data-plain]").hidden = true;
    this.visitDay();
    this.choose();
    const draft = await keeper.store.get(this.key);
    if (draft) this.restore(draft);
    form.addEventListener("submit", (event) => this.submitted(event));
    form.addEventListener("input", () => this.changed());
    form.addEventListener("click", (event) => this.clicked(event));
    document.addEventListener("keydown", (event) => this.pressed(event));
    this.show(draft?.at ?? 0, false);
    document.documentElement.dataset.sheetReady = "";
  }

  // A copy may be days old: the visit is today by the device's clock, put right.
  visitDay() {
    this.today = keeper.today();
    const day = form.elements.scored_on;
    day.max = this.today;
    if (keeper.isAway || !day.value) day.value = this.today;
  }

  choose() {
    const asked = /\/colonies\/(\d+)\/scores\/$/.exec(location.pathname)?.[1];
    const select = form.elements.colony;
    if (select && asked && [...select.options].some((one) => one.value === asked)) select.value = asked;
  }

  get colony() {
    return Number(form.dataset.colony ?? form.elements.colony.value);
  }

  get colonyName() {
    return form.dataset.name ?? form.elements.colony.selectedOptions[0].dataset.name ?? form.elements.colony.selectedOptions[0].text;
  }

  get step() {
    return this.steps[this.at];
  }

  show(at, focus = true) {
    this.at = Math.max(0, Math.min(at, this.steps.length - 1));
    const isReview = this.step.dataset.step === "review";
    this.steps.forEach((step, number) => (step.hidden = number !== this.at));
    this.back.hidden = this.at === 0;
    this.over.hidden = isReview || !this.answers().length;
    this.go.textContent = this.words(isReview ? "sheet_keep" : this.at === this.steps.length - 2 ? "sheet_review" : "sheet_next");
    const clear = this.step.querySelector("[data-clear]");
    if (clear) clear.hidden = !this.answerOf(this.step);
    this.wrong(null);
    if (isReview) this.review();
    this.title();
    if (focus) (this.step.querySelector("input:checked, input:not([type=hidden]):not([type=radio]), input, select, h2") ?? this.go).focus({ preventScroll: true });
    if (focus) this.step.scrollIntoView({ block: "nearest" });
  }

  title() {
    const head = this.step.querySelector("h2");
    if (!head) return;
    head.tabIndex = -1;
    head.querySelector("small")?.remove();
    const place = this.words("sheet_of", { n: this.at, all: this.steps.length - 2 });
    const isTrait = !["visit", "review"].includes(this.step.dataset.step);
    const small = Object.assign(document.createElement("small"), { className: "muted small" });
    small.textContent = ` ${this.colonyName}${isTrait ? ` · ${place}` : ""}`;
    head.append(small);
  }

  wrong(text) {
    const box = form.querySelector("[data-part=wrong]");
    box.hidden = !text;
    box.textContent = text ?? "";
    return !text;
  }

  // What is wrong on this screen, in words; null when nothing is.
  fault(step) {
    if (step.dataset.step === "visit") {
      const day = form.elements.scored_on.value;
      return !day || day > this.today ? this.words("sheet_future") : null;
    }
    const given = this.fieldsOf(step);
    const { value, part, whole, hours } = given;
    const isNumber = (text) => !text || NUMBER.test(text.trim());
    if (![value, part, whole, hours].every(isNumber)) return this.words("sheet_number");
    if (part && !(Number(whole) > 0)) return this.words("sheet_both");
    const { low, high, partOfWhole } = step.dataset;
    const points = value === undefined ? null : Number(value.trim().replace(",", "."));
    if (points !== null && (points < Number(low) || points > Number(high))) return this.words("sheet_range", { low, high });
    if (part && partOfWhole !== undefined && Number(part) > Number(whole)) return this.words("sheet_more", { part, whole });
    return null;
  }

  fieldsOf(step) {
    const key = step.dataset.step;
    const fields = {};
    for (const [name, value] of new FormData(form)) {
      const [trait, field] = name.split("-");
      if (trait === key && field !== "entry" && value !== "") fields[field] = value;
    }
    return fields;
  }

  // The facts of a trait that was scored; null for one left out.
  answerOf(step) {
    const fields = this.fieldsOf(step);
    if (fields.value === undefined && fields.part === undefined) return null;
    return { trait: step.dataset.step, ...fields };
  }

  answers() {
    return this.steps
      .filter((step) => !["visit", "review"].includes(step.dataset.step))
      .map((step) => this.answerOf(step))
      .filter(Boolean);
  }

  review() {
    const list = form.querySelector("[data-part=review]");
    const rows = this.steps.slice(1, -1).map((step) => {
      const answer = this.answerOf(step);
      const row = Object.assign(document.createElement("li"), { className: "row apart" });
      const name = Object.assign(document.createElement("span"), { textContent: step.querySelector("h2").firstChild.textContent.trim() });
      const said = answer ? (answer.value ?? `${answer.part} / ${answer.whole}`) : this.words("sheet_skipped");
      const value = Object.assign(document.createElement("b"), { textContent: answer?.value ? `${said} ${step.dataset.unit}` : said });
      const change = Object.assign(document.createElement("button"), { type: "button", className: "button quiet", textContent: this.words("sheet_change") });
      change.dataset.to = this.steps.indexOf(step);
      row.append(name, value, change);
      return row;
    });
    list.replaceChildren(...rows);
  }

  clicked(event) {
    const to = event.target.closest("[data-to]");
    if (to) this.show(Number(to.dataset.to));
    else if (event.target.closest("[data-back]")) this.show(this.at - 1);
    else if (event.target.closest("[data-review]")) this.wrong(this.fault(this.step)) && this.show(this.steps.length - 1);
    else if (event.target.closest("[data-clear]")) {
      for (const field of this.step.querySelectorAll("input:not([type=hidden])")) {
        if (field.type === "radio") field.checked = false;
        else field.value = field.defaultValue;
      }
      this.changed();
      this.show(this.at);
    }
  }

  // Keys: page up and down go back and on; a digit is that many points.
  pressed(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
    const typing = event.target.closest?.("input:not([type=radio]), select, textarea");
    if (event.key === "PageDown" || event.key === "PageUp") {
      event.preventDefault();
      if (event.key === "PageUp") this.show(this.at - 1);
      else this.next();
    } else if (/^\d$/.test(event.key) && !typing) {
      const point = [...this.step.querySelectorAll("input[type=radio]")].find((one) => one.value === event.key);
      if (!point) return;
      point.checked = true;
      point.focus();
      this.changed();
    }
  }

  next() {
    if (this.wrong(this.fault(this.step))) this.show(this.at + 1);
  }

  async submitted(event) {
    event.preventDefault();
    event.stopPropagation();
    if (this.step.dataset.step !== "review") return this.next();
    if (this.busy) return null;
    const faulty = this.steps.findIndex((step) => this.fault(step));
    if (faulty >= 0) {
      this.show(faulty);
      return this.wrong(this.fault(this.steps[faulty]));
    }
    const answers = this.answers();
    if (!answers.length) return this.wrong(this.words("sheet_none"));
    this.busy = true;
    try {
      return (await this.refused(answers)) || (await this.keep(answers));
    } finally {
      this.busy = false;
    }
  }

  // With a signal the server says first what it would not take: its words stand on the screen they are about.
  async refused(answers) {
    const found = keeper.hasSignal ? await askedFirst(keeper, answers.map((answer) => ({ kind: "score", facts: this.facts(answer) }))) : null;
    const first = found?.findIndex(Boolean) ?? -1;
    if (first < 0) return false;
    const isOfTrait = ["value", "part", "whole", "method", "hours"].includes(found[first].field);
    this.show(isOfTrait ? this.steps.findIndex((step) => step.dataset.step === answers[first].trait) : 0);
    this.wrong(found[first].words);
    return true;
  }

  facts(answer) {
    return { colony: this.colony, on: form.elements.scored_on.value, ...answer };
  }

  async keep(answers) {
    const at = keeper.clock.look();
    const ids = [];
    for (const answer of answers) {
      const kept = await keeper.keep("score", this.facts(answer), at);
      if (!kept) return this.wrong(this.words("full"));
      ids.push(kept.id);
      this.clearAnswer(answer.trait);
      await this.keepDraft(); // a crash in between leaves what is not kept yet in the draft
    }
    const kept = ids.length === 1 ? "sheet_kept_one" : "sheet_kept";
    keeper.say(this.words(kept, { colony: this.colonyName, n: ids.length }), ids.join(" "));
    this.afterKept();
    return ids;
  }

  clearAnswer(trait) {
    for (const field of form.querySelectorAll(`section[data-step="${trait}"] input:not([type=hidden])`)) {
      if (field.type === "radio") field.checked = false;
      else field.value = field.defaultValue;
    }
  }

  async afterKept() {
    const select = form.elements.colony;
    if (select) {
      const option = select.selectedOptions[0];
      option.dataset.name ??= option.text;
      option.text = `${option.dataset.name} ✓ ${this.words("sheet_done")}`;
      this.scored.add(option.value);
      const open = [...select.options].find((one, number) => number > select.selectedIndex && !this.scored.has(one.value));
      if (open) select.value = open.value;
    }
    await keeper.store.put(this.key, null);
    this.show(0);
  }

  changed() {
    this.wrong(null);
    const clear = this.step.querySelector("[data-clear]");
    if (clear) clear.hidden = !this.answerOf(this.step);
    this.over.hidden = this.step.dataset.step === "review" || !this.answers().length;
    this.keepDraft();
  }

  keepDraft() {
    const values = [...new FormData(form)].filter(([name]) => name !== "csrfmiddlewaretoken" && !name.endsWith("-entry"));
    return keeper.store.put(this.key, { at: this.at, values, day: this.today, colony: this.colonyName }).catch(() => this.wrong(this.words("full")));
  }

  restore({ values, colony }) {
    for (const [name, value] of values) {
      const field = form.elements[name];
      if (!field) continue;
      // The draft's colony may stand on another page of the list.
      if (name === "colony" && ![...field.options].some((one) => one.value === value)) field.add(new Option(colony ?? value, value), 0);
      field.value = value; // a group of radios takes a value too
    }
    if (this.answers().length) keeper.say(this.words("sheet_draft"));
    else form.elements.scored_on.value = this.today;
  }
}

if (form && keeper) await new Sheet().start();
