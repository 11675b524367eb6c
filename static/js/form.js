// Forms marked data-once are sent once: a second tap while the first is under way does nothing.
// After a refused form the list of errors gets the focus, so that it is read first.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.once === undefined || event.defaultPrevented) return;
  if (form.dataset.sent !== undefined) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "";
  const button = event.submitter ?? form.querySelector("[type=submit]");
  button?.setAttribute("data-busy", "");
  button?.setAttribute("aria-disabled", "true");
});

function free(form) {
  delete form.dataset.sent;
  for (const button of form.querySelectorAll("[data-busy]")) {
    button.removeAttribute("data-busy");
    button.removeAttribute("aria-disabled");
  }
}

// Back from the page cache, or after htmx has its answer: the form may be sent again.
window.addEventListener("pageshow", () => document.querySelectorAll("form[data-sent]").forEach(free));
document.addEventListener("htmx:afterRequest", (event) => {
  const form = event.target.closest?.("form[data-sent]");
  if (form) free(form);
});

document.querySelector("[data-focus-first]")?.focus();
