// What the tablet can say at once, without a network: the same rules as the services hold, with what it knows.
// Each gives null, {stop: words} or {ask: words}; whatever is sent is held against the services again.
import { filled } from "../offline/sent.js";
import { lotLeft } from "./reduce.js";

const MS_PER_MINUTE = 60_000;

export const AWAY = ["set_aside", "lost"];
const FREE = ["waiting", "first_co2"];

export const canDraw = (lot) => lot.state === "open" || lot.state === "stored";

export const free = (lot) => (lot.state === "stored" ? lotLeft(lot) : lotLeft(lot) - lot.stored);

// Drones and readings of a mixture are those of the lots that it was made of.
export const isMixture = (lot) => lot.source === null && lot.mixed_in > 0;

// As the server names it; a lot that it has not confirmed by its letter and number of the day.
export function lotLabel(state, data, id) {
  const known = data.lots[id]?.label;
  if (known) return known;
  const lot = state.lots[id];
  const here = Object.keys(state.lots).filter((key) => data.lots[key]?.here ?? true);
  const letter = data.sources[lot.source]?.letter ?? (lot.pooled ? "P" : "M");
  return `${data.day}-${letter}${here.indexOf(id) + 1}`;
}

export function sourceName(data, words, pk) {
  return pk === null ? words("mixture") : (data.sources[pk]?.name ?? "?");
}

export function refuseLot({ state, data, words, facts }) {
  if (!facts.tip) return { stop: words("tip_named") };
  if (facts.parts && facts.parts.length < 2) return { stop: words("pool_of_two") };
  const held = (facts.parts ?? [[facts.source]]).map(([source]) => data.sources[source]?.held).find(Boolean);
  if (held) return { stop: held };
  return tipOfOthers({ state, data, words, facts }, (id, lot) => facts.source === null || lot.source !== facts.source);
}

// A tip is of one source, or of one pool or mixture.
function tipOfOthers({ state, data, words, facts: { tip } }, isOther) {
  const touched = (lot) => lot.tips.some((name) => name.toLowerCase() === tip.toLowerCase());
  const used = Object.entries(state.lots).find(([id, lot]) => touched(lot) && isOther(id, lot));
  return used ? { stop: words("tip_used", { tip, other: lotOrSource(state, data, words, used[1].source, used[0]) }) } : null;
}

const lotOrSource = (state, data, words, source, lot) =>
  source === null && lot in state.lots ? lotLabel(state, data, lot) : sourceName(data, words, source);

// A hold, or semen past its limit, as the server knew when the page was last fresh.
const heldWords = (data, id, lot) =>
  (lot.sources ?? []).map((source) => data.sources[source]?.held).find(Boolean) || data.lots[id]?.held || data.lots[id]?.too_old;

export function refuseTip({ state, data, words, facts }) {
  if (!facts.tip) return { stop: words("tip_named") };
  const { source } = state.lots[facts.lot];
  const isOther = (id, lot) => (source === null ? id !== facts.lot : lot.source !== source);
  return tipOfOthers({ state, data, words, facts }, isOther);
}

export function refuseTally({ state, data, words, facts }) {
  if (!isMixture(state.lots[facts.lot])) return null;
  return { stop: words("no_drones", { lot: lotLabel(state, data, facts.lot) }) };
}

// `facts.lots`: [[lot, tenths], …].
export function refuseMix({ state, data, words, facts, ul }) {
  if (facts.lots.length < 2) return { stop: words("mix_two") };
  if (!facts.tip) return { stop: words("tip_named") };
  for (const [id, volume] of facts.lots) {
    const lot = state.lots[id];
    if (!lot || !canDraw(lot)) return { stop: words("no_lot") };
    if (!Number.isInteger(volume)) return { stop: words("volume") };
    const held = heldWords(data, id, lot);
    if (held) return { stop: held };
    if (volume < 1 || volume > free(lot)) {
      return { stop: words("mix_less", { lot: lotLabel(state, data, id), left: ul(Math.max(0, free(lot))) }) };
    }
  }
  return tipOfOthers({ state, data, words, facts }, () => true);
}

export function refuseReading({ state, words, facts, ul }) {
  if (!Number.isInteger(facts.volume)) return { stop: words("volume") };
  const left = lotLeft(state.lots[facts.lot]);
  return facts.volume < left ? { stop: words("below", { left: ul(left) }) } : null;
}

export function refuseTakeOut({ state, words, facts, ul }) {
  if (!Number.isInteger(facts.volume) || facts.volume < 1) return { stop: words("volume") };
  const lot = state.lots[facts.lot];
  const left = facts.what === "stored" ? lotLeft(lot) - lot.stored : free(lot);
  if (facts.volume > left) return { stop: words("lot_less", { left: ul(Math.max(0, left)) }) };
  return facts.reason ? null : { stop: words("why") };
}

// Queens of the batch who may take a place that became free: there, without semen, and without a place.
export function sisters({ state, data, info }) {
  const held = new Set(Object.values(state.places).filter((place) => place.state === "held").map((place) => place.queen));
  return Object.entries(data.queens).filter(([id, queen]) => {
    const { state: stage, doses } = state.queens[id] ?? {};
    return queen.batch === info.batch && !queen.taken && !held.has(id) && !doses && FREE.includes(stage);
  });
}

export function refuseGiveOn({ state, data, words, facts }) {
  const info = data.places.find((one) => one.id === facts.place);
  const place = state.places[facts.place];
  if (!info || place?.state !== "not_used" || place.second) return { stop: words("not_given_up") };
  const free = sisters({ state, data, info }).some(([id]) => Number(id) === facts.queen);
  return free ? null : { stop: words("not_free") };
}

// Whether a lot is what her place is planned with, and whether it may be taken for it at all. A page kept before an
// update may not know what is accepted, or which sources a mixture is of: the server does.
function whoseLot({ source, planned = source === null ? [] : [source], accepted = [] }, { source: own, sources }) {
  const suits = [...new Set([...planned, ...accepted])];
  if (source !== null) return { planned, suits, isOther: own !== source, isAccepted: suits.includes(own) };
  const given = sources ?? planned;
  const isOther = planned.length > 0 && (given.length !== planned.length || given.some((id) => !planned.includes(id)));
  return { planned, suits, isOther, isAccepted: !sources || !suits.length || given.every((id) => suits.includes(id)) };
}

const names = (data, words, sources) =>
  sources
    .map((id) => sourceName(data, words, id))
    .sort()
    .join(", ");

export const lotWords = (data, words, { source, sources }) =>
  source === null && sources ? names(data, words, sources) : sourceName(data, words, source);

// `now`: the moment of the dose, in milliseconds of the server's clock.
export function refuseDose({ state, data, words, facts, ul, now }) {
  const info = data.places.find((one) => one.id === facts.place);
  const place = state.places[facts.place];
  const lot = state.lots[facts.lot];
  const queen = state.queens[place?.queen];
  if (!info || !(place?.state === "held" || (facts.more && place?.state === "done"))) return { stop: words("not_held") };
  if (!queen) return { stop: words("no_queen") };
  if (AWAY.includes(queen.state)) return { stop: words("away") };
  if (!lot) return { stop: words("no_lot") };
  const { planned, isOther, suits, isAccepted } = whoseLot(info, lot);
  if (!isAccepted) {
    return { stop: words("not_accepted", { accepted: names(data, words, suits), lot: lotWords(data, words, lot) }) };
  }
  const held = heldWords(data, facts.lot, lot);
  if (held) return { stop: held };
  if (state.tip.name && !isOfTip(state.tip, lot, facts.lot)) {
    return { stop: words("old_tip", { other: lotOrSource(state, data, words, state.tip.source, state.tip.lot) }) };
  }
  if (!Number.isInteger(facts.volume)) return { stop: words("volume") };
  if (facts.volume < 1) return { stop: words("dose_positive") };
  if (facts.volume > free(lot)) return { stop: words("lot_less", { left: ul(Math.max(0, free(lot))) }) };
  const { age } = data.queens[place.queen] ?? {};
  const other = isOther && [names(data, words, planned), lotWords(data, words, lot)];
  return toSetAside({ data, info, other, age, queen, words, facts, ul, now });
}

// Which pool or mixture it was, a page kept before an update may not know: the server does.
const isOfTip = (tip, lot, id) => lot.source === tip.source && (lot.source !== null || [null, id].includes(tip.lot));

function toSetAside({ data, info, other, age, queen, words, facts, ul, now }) {
  if (facts.override_reason) return null;
  const broken = age ? [age] : [];
  const dose = facts.volume + (queen.given ?? 0);
  if (dose > data.dose_limit) broken.unshift(words("too_much", { dose: ul(dose), limit: ul(data.dose_limit) }));
  if (other) broken.unshift(words("other_source", { planned: other[0], lot: other[1] }));
  const co2 = info.first_co2?.asked && firstCo2([...queen.co2_ended, info.first_co2.home], now, data.first_co2);
  if (co2 && co2.verdict !== "counts") broken.push(filled(data.first_co2.words[co2.verdict], co2));
  return broken.length ? { ask: [...broken, words("all_the_same")].join(" ") } : null;
}

// Whether a treatment makes a pair with the gas at the dose: the twin of first_co2_of in planning/timing/co2.py.
export function firstCo2(endedAt, dosedAt, { from, pair_ms: pairMs }) {
  const before = endedAt.filter((at) => at !== null && at <= dosedAt).sort((one, other) => one - other);
  const apart = before.filter((at) => dosedAt - at >= pairMs);
  const counts = apart.filter((at) => at >= from);
  const ago = (verdict, at) => {
    const minutes = Math.floor((dosedAt - at) / MS_PER_MINUTE);
    return { verdict, minutes, ago: Math.floor(minutes / 60) };
  };
  if (counts.length) return ago("counts", counts.at(-1));
  if (apart.length < before.length) return ago("too_near", before.at(-1));
  return apart.length ? ago("too_early", apart.at(-1)) : { verdict: "missing" };
}
