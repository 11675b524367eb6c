// Runs before the first paint, so that the look chosen on this device does not flash.
(() => {
  const root = document.documentElement;
  root.classList.add("js");
  try {
    const look = localStorage.getItem("look");
    if (["day", "night", "sun"].includes(look)) root.dataset.look = look;
  } catch {
    root.dataset.lookUnkept = "";
  }
})();
