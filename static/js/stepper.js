// <step-input>: − and + beside a number field. Takes a comma too, keeps to min, max and the step.
const separator = new Intl.NumberFormat(document.documentElement.lang || "en-GB").format(1.5).charAt(1);

class StepInput extends HTMLElement {
  connectedCallback() {
    this.input = this.querySelector("input");
    if (!this.input || this.dataset.ready !== undefined) return;
    this.dataset.ready = "";
    this.addEventListener("click", (event) => {
      const button = event.target.closest("button[data-by]");
      if (button) this.move(Number(button.dataset.by));
    });
    this.input.addEventListener("input", () => this.mark());
    this.mark();
  }

  number() {
    return Number(String(this.input.value).replace(",", ".")) || 0;
  }

  limit(name) {
    const value = this.input.getAttribute(name);
    return value === null || value === "" ? null : Number(value);
  }

  move(by) {
    const step = Number(this.dataset.step) || 1;
    const places = (String(step).split(".")[1] ?? "").length;
    let next = this.number() + by * step;
    const [least, most] = [this.limit("min"), this.limit("max")];
    if (least !== null) next = Math.max(next, least);
    if (most !== null) next = Math.min(next, most);
    this.input.value = this.input.type === "number" ? next.toFixed(places) : next.toFixed(places).replace(".", separator);
    this.input.dispatchEvent(new Event("input", { bubbles: true }));
    this.input.dispatchEvent(new Event("change", { bubbles: true }));
  }

  mark() {
    const [least, most] = [this.limit("min"), this.limit("max")];
    const now = this.number();
    for (const button of this.querySelectorAll("button[data-by]")) {
      const down = Number(button.dataset.by) < 0;
      button.setAttribute("aria-disabled", String(down ? least !== null && now <= least : most !== null && now >= most));
    }
  }
}

customElements.define("step-input", StepInput);
