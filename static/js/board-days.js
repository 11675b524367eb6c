// Bench days off the screen are not drawn while the board comes. Afterwards they are, one in each idle moment: else the
// first Tab into the board waits for all of them.
const whenIdle = window.requestIdleCallback ?? ((work) => setTimeout(work, 100));
const undrawn = [...document.querySelectorAll(".board-day")];

function drawNext() {
  undrawn.shift()?.classList.add("drawn");
  if (undrawn.length) whenIdle(drawNext);
}

if (document.readyState === "complete") whenIdle(drawNext);
else addEventListener("load", () => whenIdle(drawNext));
