// Sends what is kept, in order, in batches, until the server has confirmed each entry. Safe to send twice.
const BATCH = 50;
const WAITS_MS = [2_000, 4_000, 8_000, 15_000, 30_000];
const TRY_MS = 4_000;
const PROTOCOL = 1;

export class SignedOut extends Error {}
export class OtherPerson extends Error {}

// A redirect is the sign-in page; 403 is a token from before the last sign-in: fetched anew once.
async function answerOf(response) {
  if (response.type === "opaqueredirect" || response.status === 401) throw new SignedOut();
  if (response.status === 409) throw new OtherPerson();
  if (!response.ok) throw new Error(`answered ${response.status}`);
  return response.json();
}

export class Sender {
  // told({status, unsent, person}): status is one of sending, sent, no_signal, signed_out, other_person, trouble
  constructor({ store, clock, session, person, urls, told, fresh }) {
    Object.assign(this, { store, clock, session, person, urls, told, fresh });
    this.token = "";
    this.tries = 0;
    this.status = "sent";
    this.failedAt = -Infinity;
    this.wake = () => this.push();
    addEventListener("online", this.wake);
    document.addEventListener("visibilitychange", () => document.hidden || this.push());
  }

  // Ask the server for the session as it stands. The device's own confirmed number comes with it.
  async fetchData(signal = undefined) {
    const device = await this.store.device(this.person);
    const sentAt = Date.now();
    const response = await fetch(`${this.urls.data}?device=${device}&person=${this.person}`, {
      redirect: "manual",
      cache: "no-store",
      signal,
      headers: { Accept: "application/json" },
    });
    const data = await answerOf(response);
    this.clock.measured(data.server_at, sentAt, Date.now());
    await this.store.put("offset_ms", this.clock.offset);
    this.token = data.csrf;
    return data;
  }

  // A tap: sends, but does not knock at a network that was away a moment ago.
  tapped() {
    if (performance.now() - this.failedAt < WAITS_MS[0]) return this.tell(this.status);
    return this.push();
  }

  push() {
    this.again = true;
    this.running ??= this.run().finally(() => {
      this.running = null;
    });
    return this.running;
  }

  async run() {
    clearTimeout(this.timer);
    while (this.again) {
      this.again = false;
      try {
        await this.sendAll();
        this.tries = 0;
        this.failedAt = -Infinity;
        await this.tell("sent");
      } catch (error) {
        await this.failed(error);
      }
    }
  }

  async sendAll() {
    let sentSome = false;
    for (;;) {
      const entries = await this.store.unsent(this.person, this.session, BATCH);
      if (!entries.length) break;
      await this.tell("sending");
      if (!this.token) this.fresh(await this.fetchData());
      await this.store.answered((await this.sendBatch(entries)).entries);
      sentSome = true;
    }
    if (sentSome || this.stale) this.fresh(await this.fetchData());
    this.stale = false;
  }

  sendBatch(entries) {
    return this.post(this.urls.entries, entries);
  }

  // What speaks against entries that are not kept yet, by id. Throws where there is no answer in time.
  async tried(entries) {
    const signal = AbortSignal.timeout(TRY_MS);
    if (!this.token) this.fresh(await this.fetchData(signal));
    const answer = await this.post(this.urls.tries, entries, signal);
    return new Map(answer.entries.map((one) => [one.id, one]));
  }

  async post(url, entries, signal = undefined, renewed = false) {
    const sentAt = Date.now();
    const response = await fetch(url, {
      method: "POST",
      redirect: "manual",
      signal,
      headers: { "Content-Type": "application/json", "X-CSRFToken": this.token },
      body: JSON.stringify({
        protocol: PROTOCOL,
        device: entries[0].device,
        person: this.person,
        sent_at: new Date(sentAt).toISOString(),
        entries: entries.map(({ id, number, kind, facts, at, offset_ms }) => ({ id, number, kind, facts, at, offset_ms })),
      }),
    });
    if (response.status === 403 && !renewed) {
      this.fresh(await this.fetchData(signal));
      return this.post(url, entries, signal, true);
    }
    const answer = await answerOf(response);
    this.clock.measured(answer.server_at, sentAt, Date.now());
    return answer;
  }

  async failed(error) {
    if (error instanceof SignedOut) return this.tell("signed_out");
    if (error instanceof OtherPerson) return this.tell("other_person");
    await this.tell(error instanceof TypeError ? "no_signal" : "trouble");
    const wait = WAITS_MS[Math.min(this.tries, WAITS_MS.length - 1)];
    this.tries += 1;
    this.stale = true;
    this.failedAt = performance.now();
    this.timer = setTimeout(this.wake, wait);
  }

  async tell(status) {
    this.status = status;
    const { own, others } = await this.store.countUnsent(this.person);
    this.told({ status, unsent: own, others });
  }
}
