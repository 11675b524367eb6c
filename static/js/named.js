// Where a name is written (data-named: whom to ask), names that fit are offered. Without this, part of a name serves.
const PAUSE_MS = 200;
let pause, asked;

async function offer(field) {
  const list = document.getElementById(field.getAttribute("list"));
  const words = field.value.trim();
  if (!words || [...list.options].some(({ value }) => value === words)) return; // nothing to ask, or one was chosen
  asked?.abort();
  asked = new AbortController();
  try {
    const address = `${field.dataset.named}?q=${encodeURIComponent(words)}`;
    const answer = await fetch(address, { signal: asked.signal, headers: { Accept: "application/json" } });
    if (!answer.ok || answer.redirected) return;
    const { names } = await answer.json();
    list.replaceChildren(...names.map((name) => Object.assign(document.createElement("option"), { value: name })));
  } catch {
    // No signal, or more was written meanwhile: the server finds the name when the form is sent.
  }
}

document.addEventListener("input", ({ target }) => {
  if (!target.dataset?.named) return;
  clearTimeout(pause);
  pause = setTimeout(offer, PAUSE_MS, target);
});
