// What the tablet can say at once, without a network: the same rules as the services hold, with what it knows.
// Each gives null, {stop: words} or {ask: words}; whatever is sent is held against the services again.
import { lotLeft } from "./reduce.js";

export const AWAY = ["set_aside", "lost"];

export const canDraw = (lot) => lot.state === "open" || lot.state === "stored";

export const free = (lot) => (lot.state === "stored" ? lotLeft(lot) : lotLeft(lot) - lot.stored);

export function sourceName(data, words, pk) {
  return pk === null ? words("mixture") : (data.sources[pk]?.name ?? "?");
}

export function refuseLot({ state, data, words, facts }) {
  if (!facts.tip) return { stop: words("tip_named") };
  const held = data.sources[facts.source]?.held;
  if (held) return { stop: held };
  const used = Object.values(state.lots).find(
    (lot) => lot.tip.toLowerCase() === facts.tip.toLowerCase() && lot.source !== facts.source,
  );
  if (used) return { stop: words("tip_used", { tip: facts.tip, other: sourceName(data, words, used.source) }) };
  return null;
}

export function refuseReading({ state, words, facts, ul }) {
  if (!Number.isInteger(facts.volume)) return { stop: words("volume") };
  const left = lotLeft(state.lots[facts.lot]);
  return facts.volume < left ? { stop: words("below", { left: ul(left) }) } : null;
}

export function refuseTakeOut({ state, words, facts, ul }) {
  if (!Number.isInteger(facts.volume) || facts.volume < 1) return { stop: words("volume") };
  const lot = state.lots[facts.lot];
  const left = lotLeft(lot) - lot.stored;
  if (facts.volume > left) return { stop: words("lot_less", { left: ul(Math.max(0, left)) }) };
  return facts.reason ? null : { stop: words("why") };
}

export function refuseDose({ state, data, words, facts, ul }) {
  const info = data.places.find((one) => one.id === facts.place);
  const place = state.places[facts.place];
  const lot = state.lots[facts.lot];
  const queen = state.queens[place?.queen];
  if (!info || place?.state !== "held") return { stop: words("not_held") };
  if (!queen) return { stop: words("no_queen") };
  if (AWAY.includes(queen.state)) return { stop: words("away") };
  if (!lot) return { stop: words("no_lot") };
  if (info.source !== null && lot.source !== info.source) {
    const planned = sourceName(data, words, info.source);
    return { stop: words("other_source", { planned, lot: sourceName(data, words, lot.source) }) };
  }
  const held = data.sources[lot.source]?.held || data.lots[facts.lot]?.too_old;
  if (held) return { stop: held };
  if (state.tip.source !== null && lot.source !== state.tip.source) {
    return { stop: words("old_tip", { other: sourceName(data, words, state.tip.source) }) };
  }
  if (!Number.isInteger(facts.volume)) return { stop: words("volume") };
  if (facts.volume < 1) return { stop: words("dose_positive") };
  if (facts.volume > free(lot)) return { stop: words("lot_less", { left: ul(Math.max(0, free(lot))) }) };
  return toSetAside({ data, info, queen, words, facts, ul });
}

function toSetAside({ data, info, queen, words, facts, ul }) {
  if (facts.override_reason) return null;
  const broken = info.rules
    .filter((one) => one.rule !== "first_co2_missing" || !queen.first_co2)
    .map((one) => one.words);
  const dose = facts.volume + (queen.given ?? 0);
  if (dose > data.dose_limit) broken.unshift(words("too_much", { dose: ul(dose), limit: ul(data.dose_limit) }));
  return broken.length ? { ask: `${broken[0]} ${words("all_the_same")}` } : null;
}
