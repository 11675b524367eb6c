// <co2-clock data-start="ISO moment" data-stop="ISO moment or nothing" data-server-now="ISO moment">:
// minutes and seconds from timestamps, never from counted ticks, so that a sleeping tablet shows the truth.
class Co2Clock extends HTMLElement {
  static observedAttributes = ["data-start", "data-stop"];

  connectedCallback() {
    const server = Date.parse(this.dataset.serverNow ?? "");
    this.offset = Number.isNaN(server) ? 0 : server - Date.now();
    this.wake = () => this.draw();
    document.addEventListener("visibilitychange", this.wake);
    this.draw();
  }

  disconnectedCallback() {
    clearTimeout(this.timer);
    document.removeEventListener("visibilitychange", this.wake);
  }

  attributeChangedCallback() {
    if (this.isConnected && this.wake) this.draw();
  }

  draw() {
    clearTimeout(this.timer);
    const start = Date.parse(this.dataset.start ?? "");
    if (Number.isNaN(start)) return;
    const stop = Date.parse(this.dataset.stop ?? "");
    const running = Number.isNaN(stop);
    const passed = Math.max(0, (running ? Date.now() + this.offset : stop) - start);
    const seconds = Math.floor(passed / 1000);
    this.textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
    this.toggleAttribute("data-running", running);
    if (running) this.timer = setTimeout(() => this.draw(), 1000 - (passed % 1000) + 5);
  }
}

customElements.define("co2-clock", Co2Clock);
