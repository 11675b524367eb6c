// Day, Night, Sun or as the device: per device, in localStorage.
const root = document.documentElement;

function keep(look) {
  try {
    if (look) localStorage.setItem("look", look);
    else localStorage.removeItem("look");
  } catch {
    root.dataset.lookUnkept = ""; // Private windows may refuse; the look then lasts for this page.
  }
}

function show(look) {
  if (look) root.dataset.look = look;
  else delete root.dataset.look;
  for (const button of document.querySelectorAll("[data-look-set]")) {
    button.setAttribute("aria-pressed", String(button.dataset.lookSet === look));
  }
  for (const button of document.querySelectorAll("[data-look-toggle]")) {
    button.setAttribute("aria-pressed", String(button.dataset.lookToggle === look));
  }
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-look-set], [data-look-toggle]");
  if (!button) return;
  const now = root.dataset.look ?? "";
  const wanted = button.dataset.lookSet ?? (now === button.dataset.lookToggle ? "" : button.dataset.lookToggle);
  keep(wanted);
  show(wanted);
});

window.addEventListener("storage", (event) => {
  if (event.key === "look") show(event.newValue ?? "");
});

show(root.dataset.look ?? "");
