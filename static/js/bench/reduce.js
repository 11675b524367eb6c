// The state of the bench, folded from a log: the twin of scheduling/planning/bench_log.py on the tablet. The tests
// fold the same logs with both. Volumes are whole tenths of a microlitre, moments milliseconds of the server's clock.

const LEAST_GAS_MS = 1000;

// When an entry happened by the server's clock.
export const momentOf = ({ at, offset_ms }) => Date.parse(at) + (offset_ms ?? 0);

export const lotLeft = (lot) => lot.collected + lot.mixed_in - lot.dosed - lot.mixed_out - lot.discarded - lot.lost;

export const lotNew = (source, tip, parts) => ({
  source,
  tips: [tip],
  pooled: (parts ?? []).reduce((sum, [, drones]) => sum + drones, 0),
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
  mix: (state, facts) => facts.lots.every(([lot]) => lot in state.lots),
  tip: (state, facts) => facts.lot in state.lots,
  gas_on: (state, facts) => facts.queen in state.queens,
  gas_off: (state, facts) => facts.queen in state.queens,
  dose: (state, facts) => facts.lot in state.lots && state.places[facts.place]?.queen in state.queens,
  aside: (state, facts) => state.places[facts.place]?.queen in state.queens,
  back: (state, facts) => state.places[facts.place]?.queen in state.queens,
  mark: (state, facts) => facts.place in state.places && facts.queen in state.queens,
  give_on: (state, facts) => facts.place in state.places && facts.queen in state.queens,
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
  place.state = place.doses ? "done" : "held";
}

// Of one source a tip is known by the source, else by the pool or mixture.
function putInHolder(state, lot, name) {
  const { source } = state.lots[lot];
  state.tip = { name, source, lot: source === null ? lot : null };
}

const STEPS = {
  lot_open(state, entry, tap) {
    const { source, tip, parts } = tap.facts;
    state.lots[entry] = { ...lotNew(source, tip, parts), sources: parts ? parts.map(([of]) => of) : [source] };
    putInHolder(state, entry, tap.facts.tip);
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
    else if (lot.state === "stored" && !lotLeft(lot)) lot.state = "discarded";
  },
  mix(state, entry, tap) {
    const whose = tap.facts.lots.map(([lot]) => state.lots[lot].sources);
    const mixture = { ...lotNew(null, tap.facts.tip), sources: whose.includes(null) ? null : [...new Set(whose.flat())] };
    for (const [lot, volume] of tap.facts.lots) {
      state.lots[lot].mixed_out += volume;
      mixture.mixed_in += volume;
    }
    state.lots[entry] = mixture;
    tap.facts = { ...tap.facts, mixture: entry };
    putInHolder(state, entry, tap.facts.tip);
  },
  tip(state, entry, tap) {
    const lot = state.lots[tap.facts.lot];
    lot.tips = [...new Set([...lot.tips, tap.facts.tip])].sort();
    putInHolder(state, tap.facts.lot, tap.facts.tip);
  },
  gas_on(state, entry, tap) {
    const queen = state.queens[tap.facts.queen];
    if (queen.gas_since !== null) return;
    queen.gas_since = tap.at_ms;
    queen.gas_with_dose = tap.facts.with_dose;
    if (tap.facts.with_dose && ["waiting", "first_co2"].includes(queen.state)) queen.state = "on_hook";
  },
  gas_off(state, entry, tap) {
    const queen = state.queens[tap.facts.queen];
    if (queen.gas_since === null) return;
    if (!queen.gas_with_dose) {
      queen.co2_ended.push(Math.max(tap.at_ms, queen.gas_since + LEAST_GAS_MS));
      queen.co2_ended.sort((one, other) => one - other);
      queen.state = queen.state === "inseminated" ? "second_co2" : "first_co2";
    }
    queen.gas_with_dose = false;
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
    place.doses += 1;
    queen.given = (queen.given ?? 0) + tap.facts.volume;
  },
  aside(state, entry, tap) {
    const place = state.places[tap.facts.place];
    const queen = state.queens[place.queen];
    queen.state = tap.facts.lost ? "lost" : "set_aside";
    queen.reason = tap.facts.reason;
    if (!place.doses) place.state = "not_used";
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
  give_on(state, entry, tap) {
    Object.assign(state.places[tap.facts.place], { queen: String(tap.facts.queen), state: "held" });
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
    else if (lot.state === "discarded" && lot.stored) lot.state = "stored";
  },
  mix(state, of) {
    const mixture = state.lots[of.facts.mixture];
    for (const [lot, volume] of of.facts.lots) {
      state.lots[lot].mixed_out -= volume;
      mixture.mixed_in -= volume;
    }
    mixture.state = "discarded";
  },
  dose(state, of) {
    const queen = state.queens[of.facts.queen];
    state.lots[of.facts.lot].dosed -= of.facts.volume;
    queen.doses -= 1;
    queen.given = (queen.given ?? 0) - of.facts.volume;
    if (!queen.doses) queen.state = "on_hook";
    const place = state.places[of.facts.place];
    place.doses -= 1;
    if (!place.doses && place.state === "done") place.state = "held";
  },
  aside: (state, of) => takeBack(state, of.facts.place),
  give_on(state, of) {
    Object.assign(state.places[of.facts.place], { queen: String(of.facts.before), state: "not_used" });
  },
};

// What was kept before an update of the app has not all that is asked for now.
function kept({ queens, lots, tip }) {
  for (const queen of Object.values(queens)) queen.co2_ended ??= [];
  for (const lot of Object.values(lots)) {
    lot.tips ??= [lot.tip];
    lot.pooled ??= 0;
    lot.sources ??= lot.source === null ? null : [lot.source]; // null: a pool or mixture of which nobody told it yet
  }
  tip.lot ??= null;
}

// `entries`: {id, kind, facts, at_ms} or as a device keeps them, with at and offset_ms instead; in order. `folded`: ids that the state holds already, kept only so that they can
// be taken back.
export class Fold {
  constructor(before, folded = new Set()) {
    this.state = structuredClone(before);
    kept(this.state);
    this.folded = folded;
    this.taps = new Map();
  }

  add({ id, kind, facts, ...when }) {
    const { state, taps } = this;
    if (taps.has(id)) return;
    const tap = { kind, facts, at_ms: when.at_ms ?? momentOf(when), moved: 0, undone: false };
    const known = this.folded.has(id);
    if (known && kind === "undo") {
      if (taps.has(facts.of)) taps.get(facts.of).undone = true;
    } else if (known) {
      if (kind === "dose") tap.facts = { ...facts, queen: state.places[facts.place]?.queen };
      if (kind === "mix") tap.facts = { ...facts, mixture: id };
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
