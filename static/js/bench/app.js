// The bench page on a tablet: every tap is kept on it first, then sent. Takes the page's forms over once it has the
// session's data; before that, and where a device keeps nothing, the forms go to the server as they are.
import { DeviceClock } from "../offline/clock.js";
import { isNearlyFull, keepOrMakeRoom, keepPage } from "../offline/device.js";
import { Sender } from "../offline/send.js";
import { drawSent, wordsOf } from "../offline/sent.js";
import { randomId, Store } from "../offline/store.js";
import { Fold, lotLeft, UNDO } from "./reduce.js";
import { refuseDose, refuseGiveOn, refuseLot, refuseMix, refuseReading, refuseTakeOut, refuseTally, refuseTip } from "./rules.js";
import { tenthsOf, ul, View } from "./view.js";
import { WhatNow } from "./what-now.js";

const REFUSED = ["look", "settled"];
const NEXT_DOSE_MS = 800; // a bouncing pedal must not inseminate the next queen
const CLOCK_MINUTES = 5;

class Bench {
  constructor(page, store) {
    this.page = page;
    this.store = store;
    this.session = Number(page.dataset.session);
    this.person = Number(page.dataset.person);
    this.words = wordsOf(document);
    this.entries = [];
    this.unsent = 0;
    this.data = null;
    this.channel = new BroadcastChannel("bench");
  }

  async start() {
    this.clock = new DeviceClock((await this.store.get("offset_ms")) ?? null);
    this.view = new View(this.page, this.words, this.clock);
    this.sender = new Sender({
      store: this.store,
      clock: this.clock,
      session: this.session,
      person: this.person,
      urls: this.page.dataset,
      told: (status) => this.told(status),
      fresh: (data) => this.fresh(data),
    });
    this.entries = await this.store.entries(this.session, this.person);
    const known = await this.store.session(this.session);
    if (known?.person === this.person) this.take(known.data);
    this.channel.onmessage = () => this.inTurn(() => this.reread());
    this.sender.stale = true;
    await this.sender.push();
  }

  // The server's state, with this device's confirmed number: what is above it is folded on top.
  fresh(data) {
    this.inTurn(() => this.freshened(data));
  }

  async freshened(data) {
    await this.store.keepSession(this.session, this.person, data);
    this.entries = await this.store.entries(this.session, this.person);
    this.take(data);
    this.checkPlaces(data);
    this.view.stands("closed", data.session_state !== "running" && this.words("closed"));
    const minutes = Math.abs(this.clock.minutesWrong());
    this.view.stands("clock", minutes >= CLOCK_MINUTES && this.words("clock", { n: minutes }));
  }

  take(data) {
    const first = this.data === null;
    this.data = data;
    this.view.looks(data.looks);
    this.refold();
    if (first) this.takeOver();
  }

  // Places came or went since the page was drawn: draw it anew, with a network only.
  checkPlaces(data) {
    const shown = [...document.querySelectorAll(".order-list > li[data-place]")].map(({ dataset }) => `${dataset.place}/${dataset.booking}`);
    if (shown.join() !== data.places.map((place) => `${place.id}/${place.booking}`).join() && !this.sender.again) location.reload();
  }

  // All of it folded anew: after news from the server or from another page. A tap only adds itself.
  refold() {
    const folded = new Set(this.entries.filter((entry) => entry.number <= this.data.up_to).map((entry) => entry.id));
    this.fold = new Fold(this.data.state, folded);
    for (const entry of this.entries) if (!REFUSED.includes(entry.state)) this.fold.add(entry);
    this.redraw();
  }

  redraw() {
    this.view.draw(this.fold.state, this.data);
  }

  async reread() {
    this.entries = await this.store.entries(this.session, this.person);
    if (this.data) this.refold();
  }

  async keep(kind, facts) {
    const { at, offset_ms } = this.clock.look();
    const entry = { id: randomId(), session: this.session, person: this.person, kind, facts, at, offset_ms };
    const kept = await keepOrMakeRoom(this.store, entry);
    if (!kept) {
      this.view.say(this.words("full"));
      return null;
    }
    this.entries.push(kept);
    document.dispatchEvent(new Event("bench:kept"));
    this.told({ status: this.sender.status === "sent" ? "sending" : this.sender.status, unsent: this.unsent + 1, others: 0 });
    this.fold.add(kept);
    this.view.say(null);
    this.redraw();
    this.channel.postMessage("kept");
    this.sender.tapped();
    return kept;
  }

  takeOver() {
    this.whatNow = new WhatNow(document.getElementById("now-dialog"), this.view, this.words, ul);
    document.addEventListener("submit", (event) => this.submitted(event), { capture: true });
    document.addEventListener("click", (event) => this.clicked(event));
    document.documentElement.dataset.benchReady = "";
  }

  clicked(event) {
    const opener = event.target.closest("[data-dialog]");
    const closer = event.target.closest("[data-close]");
    const row = event.target.closest(".order-list a");
    const page = event.target.closest("a[data-sent-first]");
    if (page) {
      event.preventDefault();
      this.inTurn(() => this.openWhenSent(page.href));
    } else if (opener) {
      event.preventDefault();
      const dialog = document.getElementById(opener.dataset.dialog);
      const volume = dialog.querySelector("[name=volume]");
      const lot = this.view.lotNow;
      if (volume && lot) volume.value = Math.max(0, lotLeft(lot) - lot.stored) / 10;
      if (dialog.id === "now-dialog") this.whatNow.open();
      if (dialog.id === "mix-dialog") this.view.drawMix();
      if (dialog.id === "give-dialog") this.view.drawSisters();
      dialog.showModal();
      dialog.querySelector("input:not([type=radio])")?.focus();
    } else if (closer) {
      closeDialog(closer);
    } else if (row) {
      event.preventDefault();
      this.view.chosen = Number(row.closest("li").dataset.place);
      this.redraw();
      scrollTo({ top: 0 }); // on a phone the order stands below her
    }
  }

  // Pages that reckon with the server's numbers: never without the last taps.
  async openWhenSent(address) {
    await this.sender.push();
    const { own } = await this.store.countUnsent(this.person);
    if (own) this.view.say(this.words("sent_first", { n: own }));
    else location.assign(address);
  }

  submitted(event) {
    const form = event.target;
    const make = FORMS[form.dataset.kind];
    if (!make) return;
    const fields = new FormData(form);
    event.preventDefault();
    event.stopPropagation();
    this.inTurn(() => make(this, form, fields));
  }

  // One tap after the other: the rules see what the tap before has done, however fast the pedal.
  inTurn(act) {
    this.turn = (this.turn ?? Promise.resolve()).then(act).catch((error) => {
      this.view.say(this.words("full"));
      throw error;
    });
  }

  refused(answer, boxes) {
    if (answer?.stop) this.view.say(answer.stop, "stop", boxes);
    if (answer?.ask) this.view.askReason(answer.ask);
    return Boolean(answer);
  }

  // `boxes`: where it is said, in a dialog that stays open; else at the head of the page.
  rule(check, facts, boxes) {
    const now = this.clock.now();
    return this.refused(check({ state: this.view.state, data: this.data, words: this.words, facts, ul, now }), boxes);
  }

  // The last tap of this device that can be taken back and was not.
  lastTap() {
    const undone = new Set(this.entries.filter((entry) => entry.kind === "undo").map((entry) => entry.facts.of));
    const open = this.entries.filter(
      (entry) => entry.kind in UNDO && !undone.has(entry.id) && !REFUSED.includes(entry.state),
    );
    return open.at(-1);
  }

  told({ status, unsent, others }) {
    this.unsent = unsent;
    if (others && status === "sent") drawSent(this.words, { status: "other_person", unsent: others, who: "…" });
    else drawSent(this.words, { status, unsent, who: this.data?.person_name ?? "…" });
  }
}

// The focus leaves the closed dialog at once, not with the next frame: the next key is a tap again.
function closeDialog(within) {
  within.closest("dialog").close();
  document.activeElement?.blur();
}

// The form is done with: back to the queen, the taps and the syringe.
function putAway(form) {
  form.closest("details").open = false;
  document.activeElement?.blur();
  scrollTo({ top: 0 });
}

// A label's code ends in /Q/ and the queen's number; typed is her mark.
function queenOfScan(text, queens, batch) {
  const number = Number(/\/Q\/(\d+)$/i.exec(text)?.[1]);
  const found = Object.entries(queens).find(
    ([, queen]) => queen.batch === batch && (queen.queen === number || queen.label.toUpperCase() === text.toUpperCase()),
  );
  return found?.[0];
}

const FORMS = {
  what_now(bench) {
    bench.whatNow.draw();
  },

  tally(bench, form, fields) {
    if (!bench.view.lotNow) return bench.view.say(bench.words("no_lot"));
    const facts = { lot: bench.view.lotNow.id, outcome: fields.get("outcome"), drones: 1 };
    return bench.rule(refuseTally, facts) ? null : bench.keep("tally", facts);
  },

  reading(bench, form, fields) {
    const lot = bench.view.lotNow;
    const facts = { lot: lot?.id, volume: tenthsOf(fields.get("volume")), left: lot && lotLeft(lot) };
    if (!lot || bench.rule(refuseReading, facts)) return null;
    form.elements.volume.blur();
    return facts.volume === facts.left ? null : bench.keep("reading", facts);
  },

  take_out(bench, form, fields) {
    const facts = {
      lot: bench.view.lotNow?.id,
      what: fields.get("what"),
      volume: tenthsOf(fields.get("volume")),
      reason: fields.get("reason").trim(),
    };
    closeDialog(form);
    if (!facts.lot || bench.rule(refuseTakeOut, facts)) return null;
    form.reset();
    return bench.keep("take_out", facts);
  },

  lot_open(bench, form, fields) {
    const facts = { source: Number(fields.get("source")), tip: fields.get("tip").trim().replace(/\s+/g, " ") };
    if (bench.rule(refuseLot, facts)) return null;
    form.elements.tip.value = "";
    putAway(form);
    return bench.keep("lot_open", facts);
  },

  pool_open(bench, form, fields) {
    const parts = [...form.querySelectorAll("[data-source]")]
      .map((field) => [Number(field.dataset.source), Number(field.value)])
      .filter(([, drones]) => drones > 0);
    const facts = { source: null, parts, tip: fields.get("tip").trim().replace(/\s+/g, " ") };
    if (bench.rule(refuseLot, facts)) return null;
    form.reset();
    putAway(form);
    return bench.keep("lot_open", facts);
  },

  // Stays open while a rule says no: what was measured is not typed twice.
  mix(bench, form, fields) {
    const lots = [...form.querySelectorAll("[data-lot]")]
      .map((field) => [field.dataset.lot, field.value.trim() ? tenthsOf(field.value) : 0])
      .filter(([, volume]) => volume !== 0);
    const facts = { lots, tip: fields.get("tip").trim().replace(/\s+/g, " ") };
    if (bench.rule(refuseMix, facts, form.querySelectorAll(".bench-say"))) return null;
    form.reset();
    closeDialog(form);
    return bench.keep("mix", facts);
  },

  tip(bench, form, fields) {
    const facts = { lot: fields.get("lot"), tip: fields.get("tip").trim().replace(/\s+/g, " ") };
    if (!facts.lot || bench.rule(refuseTip, facts)) return null;
    form.elements.tip.value = "";
    putAway(form);
    return bench.keep("tip", facts);
  },

  gas(bench) {
    const queen = Number(bench.view.row?.place.queen);
    if (!queen) return bench.view.say(bench.words("no_queen"));
    const on = bench.view.state.queens[queen].gas_since;
    return on ? bench.keep("gas_off", { queen }) : bench.keep("gas_on", { queen, with_dose: true });
  },

  dose(bench, form, fields) {
    if (performance.now() - (bench.dosedAt ?? -Infinity) < NEXT_DOSE_MS) return null;
    const row = bench.view.row;
    const facts = {
      place: row?.info.id,
      queen: Number(row?.place.queen),
      lot: fields.get("lot"),
      volume: tenthsOf(fields.get("volume")),
      leak_back: fields.has("leak_back"),
      resistance: fields.has("resistance"),
      second_planned: fields.has("second_planned"),
      more: fields.has("more"),
      override_reason: fields.get("override_reason").trim(),
    };
    if (bench.rule(refuseDose, facts)) return null;
    bench.dosedAt = performance.now();
    bench.view.chosen = null;
    document.activeElement?.blur();
    return bench.keep("dose", facts);
  },

  aside(bench, form, fields) {
    const facts = {
      place: bench.view.row?.info.id,
      lost: fields.get("lost") === "lost",
      reason: fields.get("reason").trim(),
    };
    if (!facts.reason) return bench.view.say(bench.words("why"));
    closeDialog(form);
    form.reset();
    bench.view.chosen = null;
    return bench.keep("aside", facts);
  },

  mark(bench, form, fields) {
    closeDialog(form);
    form.elements.scan.value = "";
    const { info, place } = bench.view.row;
    const scanned = fields.get("scan").trim();
    const queen = scanned ? queenOfScan(scanned, bench.data.queens, info.batch) : fields.get("queen");
    if (!queen) return bench.view.say(bench.words("not_of_batch", { mark: scanned }));
    if (queen === place.queen) return bench.view.say(bench.words("right_queen", { mark: bench.data.queens[queen].label }), "go");
    return bench.keep("mark", { place: info.id, queen: Number(queen) });
  },

  give_on(bench, form, fields) {
    const { info, place } = bench.view.row;
    const facts = { place: info.id, queen: Number(fields.get("queen")), before: Number(place.queen) };
    closeDialog(form);
    if (bench.rule(refuseGiveOn, facts)) return null;
    return bench.keep("give_on", facts);
  },

  undo(bench) {
    const last = bench.lastTap();
    return last ? bench.keep("undo", { of: last.id }) : bench.view.say(bench.words("nothing_to_undo"));
  },
};

// The screen stays on while the bench stands open.
async function keepAwake() {
  if (document.hidden || !("wakeLock" in navigator)) return;
  try {
    await navigator.wakeLock.request("screen");
  } catch {
    document.documentElement.dataset.sleeps = ""; // the battery is low or the system says no
  }
}

const page = document.getElementById("bench");
if (page && "indexedDB" in window) {
  const bench = new Bench(page, await Store.open());
  keepAwake();
  document.addEventListener("visibilitychange", keepAwake);
  await bench.start();
  bench.view.stands("room", (await isNearlyFull()) && bench.words("nearly_full"));
  await keepPage(bench.person);
}
