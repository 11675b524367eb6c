// The tip with what is loaded and the line of the dose: as viz/capillary.py draws it on the server.
const SVG = "http://www.w3.org/2000/svg";
const [LEFT, RIGHT, TOP, SHOULDER, NECK, END] = [14, 58, 8, 196, 232, 268];
const MIDDLE = (LEFT + RIGHT) / 2;
const FIGURES = 10;
const LABEL_PX = 17;

function element(name, attributes, text = null) {
  const one = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  if (text !== null) one.textContent = text;
  return one;
}

const outline =
  `M${LEFT} ${TOP}H${RIGHT}V${SHOULDER}L${MIDDLE + 7} ${NECK}V${END}H${MIDDLE - 7}V${NECK}L${LEFT} ${SHOULDER}z`;

const inside = (top) =>
  `M${LEFT + 2} ${top}H${RIGHT - 2}V${SHOULDER}L${MIDDLE + 5} ${NECK}V${END - 2}H${MIDDLE - 5}V${NECK}L${LEFT + 2} ${SHOULDER}z`;

export function drawTip(box, { loaded, dose, ul, title }) {
  const whole = Math.ceil(Math.max(loaded, dose, 100) / 20) * 20;
  const yOf = (tenths) => SHOULDER - (tenths / whole) * (SHOULDER - TOP);
  const step = [2, 4, 10, 20, 50, 100, whole / 10].find((one) => whole / 10 / one <= FIGURES);
  const parts = [element("title", {}, `${title}: ${ul(loaded)}`), element("path", { d: outline, class: "tube" })];
  if (loaded > 0) parts.push(element("path", { d: inside(yOf(loaded)), class: "fill-drone" }));
  parts.push(element("path", { d: outline, class: "tube-line" }));
  for (let microlitres = 0; microlitres <= whole / 10; microlitres += Math.max(1, Math.floor(step / 2))) {
    const y = yOf(microlitres * 10);
    const named = microlitres % step === 0;
    parts.push(element("line", { x1: RIGHT + 4, x2: RIGHT + (named ? 16 : 11), y1: y, y2: y, class: "tick-long" }));
    if (named && microlitres > 0 && Math.abs(y - yOf(dose)) >= LABEL_PX) {
      parts.push(element("text", { x: RIGHT + 22, y: y + 5, class: "plain-text" }, String(microlitres)));
    }
  }
  const y = yOf(dose);
  parts.push(element("rect", { x: LEFT - 6, y: y - 3.5, width: RIGHT - LEFT + 24, height: 7, class: "dose" }));
  parts.push(element("text", { x: RIGHT + 22, y: y + 5, class: "dose-text" }, ul(dose).replace(/\s*µl$/, "")));
  const svg = box.querySelector("svg");
  const drawn = element("svg", { viewBox: svg?.getAttribute("viewBox") ?? "0 0 110 280", class: "viz tip-drawing", role: "img" });
  for (const { name, value } of svg?.attributes ?? []) {
    if (!name.startsWith("aria-")) drawn.setAttribute(name, value);
  }
  drawn.append(...parts);
  if (svg) svg.replaceWith(drawn);
  else box.append(drawn);
}
