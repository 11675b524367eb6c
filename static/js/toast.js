// Toasts leave after 20 s, but not while focused or pointed at; what went wrong stays until closed.
const SHOWN_MS = 20_000;

function arm(toast) {
  if (toast.dataset.armed !== undefined) return;
  toast.dataset.armed = "";
  toast.querySelector("[data-toast-close]")?.addEventListener("click", () => toast.remove());
  if (toast.dataset.stay !== undefined) return;
  let timer = 0;
  const start = () => {
    clearTimeout(timer);
    timer = setTimeout(() => toast.remove(), SHOWN_MS);
  };
  const stop = () => clearTimeout(timer);
  toast.addEventListener("focusin", stop);
  toast.addEventListener("focusout", start);
  toast.addEventListener("pointerenter", stop);
  toast.addEventListener("pointerleave", () => {
    if (!toast.contains(document.activeElement)) start();
  });
  start();
}

function armAll(within) {
  within.querySelectorAll("[data-toast]").forEach(arm);
}

armAll(document);
document.addEventListener("htmx:load", (event) => armAll(event.target.parentElement ?? document));
