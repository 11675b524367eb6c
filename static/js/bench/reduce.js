// The state of the bench, folded from a log: the twin of scheduling/planning/bench_log.py on the tablet. The tests
// fold the same logs with both. Volumes are whole tenths of a microlitre.

export const lotLeft = (lot) => lot.collected + lot.mixed_in - lot.dosed - lot.mixed_out - lot.discarded - lot.lost;

export const lotNew = (source, tip) => ({
  source,
  tip,
  state: "open",
  tally: {},
  collected: 0,
  mixed_in: 0,
  dosed: 0,
  mixed_out: 0,
  stored: 0,
  discarded: 0,
  lost: 0,
});

// What each kind of entry needs to be there; the tablet leaves an entry out of its picture when the server's
// state no longer has it (the entry itself stays and is sent).
const NEEDS = {
  lot_open: () => true,
  tally: (state, facts) => facts.lot in state.lots,
  reading: (state, facts) => facts.lot in state.lots,
  take_out: (state, facts) => facts.lot in state.lots,
  gas_on: (state, facts) => facts.queen in state.queens,
  gas_off: (state, facts) => facts.queen in state.queens,
  dose: (state, facts) => facts.lot in state.lots && state.places[facts.place]?.queen in state.queens,
  aside: (state, facts) => state.places[facts.place]?.queen in state.queens,
  back: (state, facts) => state.places[facts.place]?.queen in state.queens,
  mark: (state, facts) => facts.place in state.places && facts.queen in state.queens,
  undo: (state, facts, taps) => taps.has(facts.of),
};

function addTally(state, facts, sign) {
  const { tally } = state.lots[facts.lot];
  const drones = (tally[facts.outcome] ?? 0) + sign * facts.drones;
  if (drones) tally[facts.outcome] = drones;
  else delete tally[facts.outcome];
}

function takeBack(state, placeId) {
  const place = state.places[placeId];
  const queen = state.queens[place.queen];
  if (!["set_aside", "lost"].includes(queen.state)) return;
  queen.state = queen.doses ? "inseminated" : "waiting";
  queen.reason = "";
  place.state = queen.doses ? "done" : "held";
}

const STEPS = {
  lot_open(state, entry, tap) {
    state.lots[entry] = lotNew(tap.facts.source, tap.facts.tip);
    state.tip = { name: tap.facts.tip, source: tap.facts.source };
  },
  tally: (state, entry, tap) => addTally(state, tap.facts, 1),
  reading(state, entry, tap) {
    const lot = state.lots[tap.facts.lot];
    tap.moved = Math.max(0, tap.facts.volume - lotLeft(lot));
    lot.collected += tap.moved;
  },
  take_out(state, entry, tap) {
    const lot = state.lots[tap.facts.lot];
    lot[tap.facts.what] += tap.facts.volume;
    if (tap.facts.what === "stored") lot.state = "stored";
  },
  gas_on(state, entry, tap) {
    const queen = state.queens[tap.facts.queen];
    if (queen.gas) return;
    queen.gas = true;
    queen.gas_since = tap.at;
    queen.gas_with_dose = tap.facts.with_dose;
    if (tap.facts.with_dose && ["waiting", "first_co2"].includes(queen.state)) queen.state = "on_hook";
  },
  gas_off(state, entry, tap) {
    const queen = state.queens[tap.facts.queen];
    if (!queen.gas) return;
    if (!queen.gas_with_dose) {
      queen.first_co2 += 1;
      queen.state = queen.state === "inseminated" ? "second_co2" : "first_co2";
    }
    queen.gas = queen.gas_with_dose = false;
    queen.gas_since = null;
  },
  dose(state, entry, tap) {
    const place = state.places[tap.facts.place];
    const queen = state.queens[place.queen];
    tap.facts = { ...tap.facts, queen: place.queen };
    state.lots[tap.facts.lot].dosed += tap.facts.volume;
    place.state = "done";
    queen.state = "inseminated";
    queen.doses += 1;
    queen.given = (queen.given ?? 0) + tap.facts.volume;
  },
  aside(state, entry, tap) {
    const place = state.places[tap.facts.place];
    const queen = state.queens[place.queen];
    queen.state = tap.facts.lost ? "lost" : "set_aside";
    queen.reason = tap.facts.reason;
    if (!queen.doses) place.state = "not_used";
  },
  back: (state, entry, tap) => takeBack(state, tap.facts.place),
  mark(state, entry, tap) {
    const place = state.places[tap.facts.place];
    const wanted = String(tap.facts.queen);
    if (place.queen === wanted) return;
    for (const other of Object.values(state.places)) {
      if (other.queen === wanted && other.state === "held") other.queen = place.queen;
    }
    place.queen = wanted;
  },
  undo(state, entry, tap, taps) {
    const of = taps.get(tap.facts.of);
    if (of.undone) return;
    of.undone = true;
    UNDO[of.kind]?.(state, of);
  },
};

export const UNDO = {
  tally: (state, of) => addTally(state, of.facts, -1),
  reading(state, of) {
    state.lots[of.facts.lot].collected -= of.moved;
  },
  take_out(state, of) {
    const lot = state.lots[of.facts.lot];
    lot[of.facts.what] -= of.facts.volume;
    if (of.facts.what === "stored" && !lot.stored) lot.state = "open";
  },
  dose(state, of) {
    const queen = state.queens[of.facts.queen];
    state.lots[of.facts.lot].dosed -= of.facts.volume;
    queen.doses -= 1;
    queen.given = (queen.given ?? 0) - of.facts.volume;
    if (queen.doses) return;
    queen.state = "on_hook";
    const place = state.places[of.facts.place];
    if (place.state === "done") place.state = "held";
  },
  aside: (state, of) => takeBack(state, of.facts.place),
};

// `entries`: {id, kind, facts, at}, in order; `folded`: ids that the state holds already, kept only so that they can
// be taken back.
export class Fold {
  constructor(before, folded = new Set()) {
    this.state = structuredClone(before);
    this.folded = folded;
    this.taps = new Map();
  }

  add({ id, kind, facts, at }) {
    const { state, taps } = this;
    if (taps.has(id)) return;
    const tap = { kind, facts, at, moved: 0, undone: false };
    const known = this.folded.has(id);
    if (known && kind === "undo") {
      if (taps.has(facts.of)) taps.get(facts.of).undone = true;
    } else if (known) {
      if (kind === "dose") tap.facts = { ...facts, queen: state.places[facts.place]?.queen };
      if (kind === "reading") tap.moved = Math.max(0, facts.volume - (facts.left ?? facts.volume));
    } else if (NEEDS[kind]?.(state, facts, taps)) {
      STEPS[kind](state, id, tap, taps);
    }
    taps.set(id, tap);
  }
}

export function reduceLog(before, entries, folded) {
  const fold = new Fold(before, folded);
  for (const entry of entries) fold.add(entry);
  return fold.state;
}
