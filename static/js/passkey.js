// <passkey-form data-act="create|get" data-url data-old data-failed>: asks the device for a passkey when
// the form inside is sent, puts the answer into its hidden field and sends it on. Without a script, or on a device
// that knows no passkeys, the words inside say so and the form stays hidden.
class PasskeyForm extends HTMLElement {
  connectedCallback() {
    this.form = this.querySelector("form");
    this.said = this.querySelector("[role=status]");
    if (!window.PublicKeyCredential?.parseRequestOptionsFromJSON) return this.say(this.dataset.old);
    this.form.hidden = false;
    this.say("");
    this.form.addEventListener("submit", (event) => this.ask(event), { capture: true });
  }

  say(text) {
    this.said.textContent = text;
  }

  async ask(event) {
    if (this.answered) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    try {
      const credential = await this.credential(await this.options());
      this.form.elements.credential.value = JSON.stringify(credential.toJSON());
      this.answered = true;
      this.form.requestSubmit();
    } catch (error) {
      this.say(`${this.dataset.failed} (${error.name})`);
    }
  }

  // The challenge is fetched only when somebody wants it: the page itself may be asked for again meanwhile.
  async options() {
    const answer = await fetch(this.dataset.url, { credentials: "same-origin", headers: { Accept: "application/json" } });
    if (answer.redirected || answer.status === 404) {
      location.reload(); // the password has to be said again first
      await new Promise(() => {});
    }
    return (await answer.json()).publicKey;
  }

  credential(options) {
    if (this.dataset.act === "create") {
      return navigator.credentials.create({ publicKey: PublicKeyCredential.parseCreationOptionsFromJSON(options) });
    }
    return navigator.credentials.get({ publicKey: PublicKeyCredential.parseRequestOptionsFromJSON(options) });
  }
}

customElements.define("passkey-form", PasskeyForm);
