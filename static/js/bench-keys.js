// Keys and foot pedals at the bench: an element with data-key is pressed by that key. While somebody types in
// a field only Enter there counts for the form, so that digits and spaces are not taken for taps.
const typing = (element) => element?.closest?.("input:not([type=hidden]):not([type=checkbox]), textarea, select");

document.addEventListener("keydown", (event) => {
  if (document.querySelector("dialog[open]")) return; // a question stands before the bench
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey || typing(event.target)) return;
  if (event.code === "KeyL") {
    const volume = document.querySelector(".bench-taps input[name=volume]");
    if (volume) {
      event.preventDefault();
      volume.focus();
      volume.select();
    }
    return;
  }
  const target = document.querySelector(`[data-key="${event.code}"]`);
  // Enter and Space on a focused button or link keep their own meaning.
  if (!target || (event.target.closest("button, a, summary") && ["Enter", "Space"].includes(event.code))) return;
  event.preventDefault();
  target.click();
});
