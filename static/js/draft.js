// What was filled in and not sent outlives a reload, a lost signal and a wrong tap: it is kept on this device, for this
// person, and stands in the form again when its page is opened. What the server has taken is forgotten here.
const WEEK_MS = 7 * 24 * 3600 * 1000;
const NOT_KEPT = ["hidden", "password", "file", "submit", "button", "reset"];
const SENT = "filled-sent";

const storage = (() => {
  try {
    localStorage.getItem("filled");
    return localStorage;
  } catch {
    return null; // this browser keeps nothing for us
  }
})();
const person = document.getElementById("keeper")?.dataset.person; // nobody: a device in many hands keeps no address
const ours = `filled:${person}:`;
const here = ours + location.pathname + location.search;

const fieldsOf = (form) => [...form.elements].filter(({ name, type }) => name && !NOT_KEPT.includes(type));

function valueOf(field) {
  if (field.type === "checkbox" || field.type === "radio") return field.checked;
  return field.multiple ? [...field.selectedOptions].map(({ value }) => value) : field.value;
}

function fill(field, value) {
  if (field.type === "checkbox" || field.type === "radio") field.checked = value;
  else if (field.multiple) for (const option of field.options) option.selected = value.includes(option.value);
  else field.value = value;
}

const inForm = (form) => JSON.stringify(fieldsOf(form).map((field) => [field.name, valueOf(field)]));

function forgetSent() {
  const sent = sessionStorage.getItem(SENT);
  if (!sent) return;
  sessionStorage.removeItem(SENT);
  // Another page, a redirect or the answer to the form itself: the server has it. The form anew by any other way: no
  // answer ever came.
  const [{ type, redirectCount }] = performance.getEntriesByType("navigation");
  const isHere = sent.startsWith(`${here}#`);
  const isAnswer = redirectCount > 0 || (type === "navigate" && document.referrer === location.href);
  const isRefused = document.querySelector("[data-focus-first]");
  if (!isHere || (isAnswer && !isRefused)) storage.removeItem(sent);
}

function keepForm(form, place) {
  const key = `${here}#${place}`;
  const kept = JSON.parse(storage.getItem(key));
  const isRefused = form.querySelector("[data-focus-first]");
  const base = isRefused && kept ? kept.base : inForm(form);
  const note = form.querySelector("[data-kept-note]");
  if (kept && !isRefused) {
    if (kept.base === base && kept.values !== base && Date.now() - kept.at < WEEK_MS) {
      const values = JSON.parse(kept.values);
      fieldsOf(form).forEach((field, at) => fill(field, values[at][1]));
      note.hidden = false;
    } else storage.removeItem(key); // too old, or the page stands otherwise than it stood then
  }
  const keep = () => {
    const values = inForm(form);
    if (values === base) storage.removeItem(key);
    else storage.setItem(key, JSON.stringify({ at: Date.now(), base, values }));
  };
  for (const kind of ["input", "change"]) form.addEventListener(kind, keep);
  form.addEventListener("submit", () => sessionStorage.setItem(SENT, key));
  note.querySelector("button").addEventListener("click", () => {
    storage.removeItem(key);
    form.reset();
    note.hidden = true;
    fieldsOf(form)[0]?.focus();
  });
}

if (storage && person) {
  forgetSent();
  document.querySelectorAll("form[data-keep]").forEach(keepForm);
  document.querySelector("form[data-sign-out]")?.addEventListener("submit", () => {
    for (const key of Object.keys(storage)) if (key.startsWith(ours)) storage.removeItem(key);
  });
}
