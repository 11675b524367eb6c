// What is looked at on every page. Each function answers with sentences about what is wrong.
window.proof = (() => {
  const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];
  const FOCUSABLE =
    "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]:not([tabindex='-1'])";

  const seen = (one) =>
    one.checkVisibility({ visibilityProperty: true, opacityProperty: true }) && !one.closest(".skip, .hidden-text");
  const name = (one) =>
    `${one.tagName.toLowerCase()}${one.id ? "#" + one.id : ""}.${one.getAttribute("class") ?? ""} “${(
      one.getAttribute("aria-label") ?? one.textContent ?? ""
    )
      .trim()
      .replace(/\s+/g, " ")
      .slice(0, 40)}”`;

  async function axe(contrastOnly) {
    const rules = contrastOnly ? { type: "rule", values: ["color-contrast"] } : { type: "tag", values: TAGS };
    const found = await window.axe.run(document, { runOnly: rules, resultTypes: ["violations"], elementRef: false });
    return found.violations.flatMap((rule) =>
      rule.nodes.slice(0, 3).map((node) => {
        const data = [...node.any, ...node.all][0]?.data;
        const ratio = data?.contrastRatio ? ` ${data.fgColor} on ${data.bgColor} ${data.contrastRatio}` : "";
        return `${rule.id}: ${node.target.join(" ")}${ratio}`;
      }),
    );
  }

  function sideways() {
    const root = document.documentElement;
    if (root.scrollWidth <= root.clientWidth) return [];
    const wide = [...document.querySelectorAll("body *")].filter(
      (one) => one.getBoundingClientRect().right > root.clientWidth + 1 && !clippedBy(one),
    );
    return [`${root.scrollWidth - root.clientWidth} px too wide: ${wide.slice(0, 3).map(name).join(", ")}`];
  }

  function clippedBy(one) {
    for (let box = one.parentElement; box && box !== document.body; box = box.parentElement)
      if (getComputedStyle(box).overflowX !== "visible") return true;
    return false;
  }

  // A link inside a sentence is as high as its line (WCAG 2.2, 2.5.8: inline).
  function isInline(one) {
    if (one.tagName !== "A" || getComputedStyle(one).display !== "inline") return false;
    const around = one.closest("p, li, dd, dt, td, th, figcaption, caption, blockquote, summary, label, legend, small, span, div");
    return around !== null && around.textContent.trim().length > one.textContent.trim().length;
  }

  function targets() {
    return [...document.querySelectorAll("a, button, input, select, textarea, summary")]
      .filter((one) => one.type !== "hidden" && seen(one) && !isInline(one))
      .map((one) => [one, largest(one)])
      .filter(([, box]) => box.width < 43.5 || box.height < 43.5)
      .map(([one, box]) => `target ${name(one)} ${Math.round(box.width)}×${Math.round(box.height)}`);
  }

  function largest(one) {
    const label = one.closest("label") ?? (one.labels && [...one.labels].find((l) => l.matches(".choice, .check")));
    return (label ?? one).getBoundingClientRect();
  }

  // Focus as by Tab: the ring is there, and nothing that stays in place lies over the middle of it.
  function focus() {
    const wrong = [];
    for (const one of document.querySelectorAll(FOCUSABLE)) {
      if (!seen(one) || one.disabled || one.closest("[inert]")) continue;
      one.focus({ focusVisible: true });
      if (document.activeElement !== one) continue;
      const ring = getComputedStyle(one);
      const around = one.closest("label") ?? one.parentElement;
      const rings = [ring, getComputedStyle(around)].some((style) => parseFloat(style.outlineWidth) >= 3 && style.outlineStyle !== "none");
      if (!rings) wrong.push(`no ring: ${name(one)}`);
      const box = one.getBoundingClientRect();
      const over = bars().filter((bar) => !bar.contains(one) && covers(bar.getBoundingClientRect(), box));
      if (over.length) wrong.push(`under ${name(over[0]).slice(0, 30)}: ${name(one)}`);
    }
    document.activeElement?.blur();
    window.scrollTo(0, 0);
    return wrong.slice(0, 5);
  }

  let fixed = null;
  function bars() {
    fixed ??= [...document.querySelectorAll("body *")].filter((one) => {
      const style = getComputedStyle(one);
      return ["fixed", "sticky"].includes(style.position) && one.checkVisibility() && !one.closest(".skip");
    });
    return fixed.filter((bar) => {
      const style = getComputedStyle(bar);
      return style.position === "fixed" || style.position === "sticky";
    });
  }

  const covers = (bar, box) =>
    box.height > 0 && bar.top <= box.top + 1 && bar.bottom >= box.bottom - 1 && bar.left <= box.left + 1 && bar.right >= box.right - 1;

  // Text at twice its size: nothing is cut off and the page still does not scroll sideways.
  function large() {
    const root = document.documentElement;
    root.style.fontSize = "200%";
    const cut = [...document.querySelectorAll("body *")].filter((one) => {
      const style = getComputedStyle(one);
      if (style.overflowX === "visible" || ["auto", "scroll"].includes(style.overflowX) || !seen(one)) return false;
      if (one.closest("svg") || one.matches("input, textarea, select")) return false;
      return one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 1;
    });
    const wrong = [...sideways(), ...cut.slice(0, 3).map((one) => `cut off: ${name(one)}`)];
    root.style.fontSize = "";
    return wrong.map((text) => `at 200 %: ${text}`);
  }

  function look(which) {
    document.documentElement.dataset.look = which;
    return [];
  }

  const links = () => [...document.querySelectorAll("a[href]")].map((one) => new URL(one.getAttribute("href"), location).href);
  const headings = () => {
    const first = document.querySelectorAll("h1").length;
    return first === 1 ? [] : [`${first} h1`];
  };

  return { axe, sideways, targets, focus, large, look, links, headings };
})();
