// "/" goes to the search: into the field on the page, else into the one behind the lens. Not while somebody types.
const typing = (element) => element?.closest?.("input, textarea, select, [contenteditable]");

document.addEventListener("keydown", (event) => {
  if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey || typing(event.target)) return;
  if (document.querySelector("dialog[open]")) return;
  const fields = [...document.querySelectorAll("[data-search]")];
  const field = document.querySelector("main [data-search]") ?? fields[0];
  if (!field) return;
  event.preventDefault();
  const menu = field.closest("details");
  if (menu) menu.open = true;
  field.focus();
  field.select();
});

// The lens opens with the field ready to type in.
document.querySelector("details[data-lens]")?.addEventListener("toggle", (event) => {
  if (event.target.open) event.target.querySelector("[data-search]").focus();
});
