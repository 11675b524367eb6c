// <push-switch data-key data-url data-csrf>: lets this browser take messages, or says why it cannot.
// Without a script, or where there is no push, the words inside stand as they are.
class PushSwitch extends HTMLElement {
  async connectedCallback() {
    this.button = this.querySelector("button");
    this.said = this.querySelector("[role=status]");
    if (!("serviceWorker" in navigator) || !("PushManager" in window)) return this.say(this.dataset.cannot);
    if (Notification.permission === "denied") return this.say(this.dataset.denied);
    this.button.hidden = false;
    this.button.addEventListener("click", () => this.switchOn());
    this.say("");
    // A browser that takes messages already says so again: its address changes now and then.
    const registration = await navigator.serviceWorker.getRegistration("/");
    const have = await registration?.pushManager.getSubscription();
    if (have && Notification.permission === "granted" && this.dataset.known !== undefined) await this.send(have);
  }

  say(text) {
    this.said.textContent = text;
  }

  async switchOn() {
    this.button.disabled = true;
    try {
      if ((await Notification.requestPermission()) !== "granted") return this.say(this.dataset.denied);
      const registration = await navigator.serviceWorker.register("/sw.js");
      await navigator.serviceWorker.ready;
      const subscription = await this.subscribed(registration.pushManager);
      if (await this.send(subscription)) window.location.reload();
    } catch (error) {
      this.say(`${this.dataset.failed} ${error.message}`);
    } finally {
      this.button.disabled = false;
    }
  }

  // A subscription made for an earlier key of this installation is of no use: it is replaced.
  async subscribed(manager) {
    const options = { userVisibleOnly: true, applicationServerKey: bytes(this.dataset.key) };
    try {
      return await manager.subscribe(options);
    } catch (error) {
      if (error.name !== "InvalidStateError") throw error;
      await (await manager.getSubscription())?.unsubscribe();
      return manager.subscribe(options);
    }
  }

  async send(subscription) {
    const answer = await fetch(this.dataset.url, {
      method: "POST",
      credentials: "same-origin",
      headers: { "Content-Type": "application/json", "X-CSRFToken": this.dataset.csrf },
      body: JSON.stringify({ subscription: subscription.toJSON(), name: deviceName() }),
    });
    if (answer.ok) return true;
    this.say((await answer.json().catch(() => ({}))).problem ?? this.dataset.failed);
    return false;
  }
}

function bytes(base64url) {
  const text = atob(base64url.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(text, (letter) => letter.charCodeAt(0));
}

// So that its owner can tell this device from others: browser and system, nothing finer.
function deviceName() {
  const agent = navigator.userAgent;
  const browser = /Edg\//.test(agent) ? "Edge" : /Firefox\//.test(agent) ? "Firefox" : /Chrom/.test(agent) ? "Chrome" : /Safari\//.test(agent) ? "Safari" : "Browser";
  const system = /Android/.test(agent) ? "Android" : /iPhone|iPad/.test(agent) ? "iOS" : /Mac OS/.test(agent) ? "macOS" : /Windows/.test(agent) ? "Windows" : /Linux/.test(agent) ? "Linux" : "";
  return [browser, system].filter(Boolean).join(", ");
}

customElements.define("push-switch", PushSwitch);
