// A details menu closes on Esc (focus goes back to its button) and on a click or focus elsewhere.
const open = () => document.querySelectorAll("details[data-menu][open]");

document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  for (const menu of open()) {
    menu.open = false;
    if (menu.contains(document.activeElement)) menu.querySelector("summary").focus();
  }
});

for (const kind of ["click", "focusin"]) {
  document.addEventListener(kind, (event) => {
    for (const menu of open()) if (!menu.contains(event.target)) menu.open = false;
  });
}
