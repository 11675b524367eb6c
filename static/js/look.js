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

function press(look) {
  for (const button of document.querySelectorAll("[data-look-set]")) {
    button.setAttribute("aria-pressed", String(button.dataset.lookSet === look));
  }
  for (const button of document.querySelectorAll("[data-look-toggle]")) {
    button.setAttribute("aria-pressed", String(button.dataset.lookToggle === look));
  }
}

function paint(look) {
  if (look) root.dataset.look = look;
  else delete root.dataset.look;
}

function show(look) {
  press(look);
  paint(look);
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-look-set], [data-look-toggle]");
  if (!button) return;
  const isOn = button.getAttribute("aria-pressed") === "true";
  const wanted = button.dataset.lookSet ?? (isOn ? "" : button.dataset.lookToggle);
  keep(wanted);
  press(wanted);
  // The button answers first. Another look draws every letter of the page anew: on a slow phone that is a moment's work.
  requestAnimationFrame(() => setTimeout(() => paint(wanted)));
});

window.addEventListener("storage", (event) => {
  if (event.key === "look") show(event.newValue ?? "");
});

show(root.dataset.look ?? "");
