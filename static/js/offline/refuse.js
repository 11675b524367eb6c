// A refusal stands beside its field, and what was typed stays. What this page knows by itself is said at once; the rest
// is asked of the server before the entry is kept, where there is a signal. Two versions of one thing are no mistake:
// they are kept and looked at together.
import { randomId } from "./store.js";

const BOTH_RIGHT = ["differs", "changed_since", "reminder_ended"];

// What speaks against each of several entries that are not kept yet: an array in their order, null where nothing does.
// Null instead of it: no answer. Where earlier ones still wait the server does not know enough to say no.
export async function askedFirst(keeper, drafts) {
  if (keeper.isAway || !navigator.onLine) return null;
  const { own } = await keeper.store.countUnsent(keeper.person);
  if (own) return null;
  const device = await keeper.store.device(keeper.person);
  const moment = keeper.clock.look();
  const entries = drafts.map(({ kind, facts, at = moment }, place) => ({ id: randomId(), device, number: place + 1, kind, facts, ...at }));
  try {
    const found = await keeper.sender.tried(entries);
    return entries.map(({ id }) => (BOTH_RIGHT.includes(found.get(id)?.rule) ? null : (found.get(id) ?? null)));
  } catch {
    return null;
  }
}

// What the page itself knows to be wrong: the first field and why; null when nothing is.
export function faultOf(form, today, words) {
  for (const field of form.elements) {
    if (!field.name || !field.willValidate) continue;
    if (field.validity.valueMissing) return { field, text: words("wrong_missing") };
    if (field.type === "date" && field.value > today) return { field, text: words("wrong_future") };
    if (field.validity.badInput || field.validity.stepMismatch || field.validity.rangeUnderflow) {
      return { field, text: field.type === "number" ? words("wrong_number") : field.validationMessage };
    }
    if (!field.validity.valid) return { field, text: field.validationMessage };
  }
  return null;
}

// The field that a refusal names: by its own name, or by the one it has in the entry.
export function fieldOf(form, name) {
  const found = form.elements[name] ?? [...form.elements].find((each) => each.dataset.as === name);
  return found instanceof RadioNodeList ? found[0] : (found ?? null);
}

export function clearRefusals(form) {
  for (const note of form.querySelectorAll("[data-refused]")) note.remove();
  for (const field of form.querySelectorAll("[data-was-described]")) {
    field.removeAttribute("aria-invalid");
    if (field.dataset.wasDescribed) field.setAttribute("aria-describedby", field.dataset.wasDescribed);
    else field.removeAttribute("aria-describedby");
    delete field.dataset.wasDescribed;
    field.closest(".field")?.classList.remove("wrong");
  }
}

export function showRefusal(form, field, text) {
  clearRefusals(form);
  const note = document.getElementById("kept-refused").content.cloneNode(true).firstElementChild;
  note.querySelector("p").textContent = text;
  note.id = `refused-${field?.id || field?.name || "form"}`;
  const place = field?.closest(".field");
  if (place) place.append(note);
  else (form.querySelector(".actions") ?? form.lastElementChild ?? form).before(note);
  if (form.matches(".actions")) form.append(note); // a row of one line: its words go below
  if (!field) return;
  place?.classList.add("wrong");
  field.dataset.wasDescribed = field.getAttribute("aria-describedby") ?? "";
  field.setAttribute("aria-invalid", "true");
  field.setAttribute("aria-describedby", `${field.dataset.wasDescribed} ${note.id}`.trim());
  field.focus();
}
