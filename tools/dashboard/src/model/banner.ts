// May it transmit? The answer in words, from what is known and how fresh it is.
import { t, wordFor } from "../text/language";
import { viewersTime, type Cause, type Device, type Happening, type Moment } from "./model";
import type { News } from "./freshness";
import { limitOf, resetWay, standingOf, type Standing } from "./standing";
import { clock, duration, shown } from "../text/figures";

export type Tone = "go" | "air" | "stop" | "hold" | "wait" | "unknown";

export interface Banner {
  tone: Tone;
  contact: "closed" | "open" | "unknown"; ///< the line, as a contact is drawn
  word: string;
  number: string; ///< the cause with its number, or the power: what is read from across a room
  answer: string; ///< to "may it transmit?"
  facts: string[];
  standing: Standing[]; ///< all that stands against the permit
}

const tones: Record<string, Tone> = {
  starting: "wait",
  tripped: "stop",
  held: "hold",
  latched: "stop",
  "locked out": "stop",
};

export function stateWord(device: Device): string {
  if (device.state === "permitted") return device.permit ? t.state["permitted"]! : t.state["inhibited"]!;
  return Object.hasOwn(tones, device.state) ? wordFor(t.state, device.state) : t.state["unknown"]!;
}

/// The trip that took the permit away last, if it is still among what is remembered.
export function lastTrip(device: Device): Happening | undefined {
  for (let i = device.happenings.length - 1; i >= 0; --i) {
    const one = device.happenings[i]!;
    if (one.kind === "permitted") return undefined;
    if (one.kind === "tripped" && one.firstCause) return one;
  }
  return undefined;
}

export function firstCause(device: Device): Cause | undefined {
  return device.causes.find((cause) => cause.first) ?? device.causes[0];
}

function tripOf(device: Device, cause: Cause | undefined): Happening | undefined {
  const last = lastTrip(device);
  return last && (!cause || cause.id.endsWith(last.source)) ? last : undefined;
}

function ago(device: Device, trip: Happening | undefined, cause: Cause | undefined, now: Moment): string {
  if (cause?.since_s !== null && cause?.since_s !== undefined) return t.time.ago(duration(cause.since_s));
  const at = trip ? viewersTime(device, trip) : null;
  return at === null ? "" : t.time.ago(duration((now.wall - at) / 1000));
}

function tripFact(device: Device, now: Moment): string[] {
  const cause = firstCause(device);
  const trip = tripOf(device, cause);
  if (!trip || trip.value === null || trip.level === null) return [];
  return [
    t.banner.trippedAt(shown(trip.value, trip.unit), shown(trip.level, trip.unit), ago(device, trip, cause, now)),
  ];
}

/// "VSWR 2.45": the value at which it tripped, not what is left of it now.
function causeNumber(device: Device): string {
  const cause = firstCause(device);
  if (!cause) return "";
  const limit = limitOf(device, cause);
  if (!limit) return cause.text.replace(/\.$/, "") || cause.id;
  const name = device.nodes.get("measurements")?.properties.get(limit.watch)?.name || limit.name;
  const trip = tripOf(device, cause);
  if (trip && trip.value !== null) return `${name} ${shown(trip.value, limit.unit)}`;
  const known = device.quantities.get(limit.watch);
  const past =
    known &&
    known.value !== null &&
    known.quality === "good" &&
    (limit.direction === "above" ? known.value >= limit.trip : known.value <= limit.trip);
  return past
    ? `${name} ${shown(known.value!, limit.unit)}`
    : cause.text.split(/ at or (?:above|below) /)[0]!.replace(/\.$/, "") || limit.name;
}

function heldBy(device: Device): string {
  return device.held === "local" || device.held === "both"
    ? t.banner.atAmplifier
    : device.held === "remote"
      ? t.banner.fromAfar
      : "";
}

function forwardPower(device: Device): string {
  const forward = device.quantities.get(device.roles.get("forward") ?? "forward");
  return forward && forward.value !== null ? shown(forward.value, "W") : "";
}

function rfFact(device: Device): string {
  if (!device.rf) return t.banner.noRfNow;
  return t.banner.transmitting(device.transmitting !== null ? duration(device.transmitting) : "", forwardPower(device));
}

/// What goes on beside the state and must not be overlooked.
function besides(device: Device): string[] {
  const found: string[] = [];
  if (device.permit !== true && device.rf) found.push(t.banner.rfAllTheSame);
  if (device.commissioningLeft !== null) found.push(t.banner.commissionsToo(duration(device.commissioningLeft)));
  if (device.eventsWaiting > 0) found.push(t.banner.unheard(device.eventsWaiting));
  return found;
}

function lastKnown(device: Device | undefined, news: News, now: Moment): string[] {
  if (!device || news.age_s === null || !device.state) return [t.banner.nothingKnown];
  return [
    t.banner.lastKnown(clock(now.wall - news.age_s * 1000, now.wall), stateWord(device).toLowerCase()),
    t.banner.protection,
  ];
}

function inhibited(device: Device, now: Moment): Banner {
  const known = Object.hasOwn(tones, device.state) && device.permit !== true;
  const tone = known ? tones[device.state]! : "stop";
  const number = {
    stop: causeNumber(device),
    hold: heldBy(device),
    go: "",
    air: "",
    unknown: "",
    wait: device.settlingLeft ? duration(Math.ceil(device.settlingLeft)) : "",
  }[tone];
  const reset = device.state === "latched" || device.state === "locked out" ? [resetWay(device)] : [];
  const facts = known ? [...(tone === "stop" ? tripFact(device, now) : []), ...reset] : [];
  return {
    tone,
    contact: device.permit === true ? "unknown" : "open",
    word: stateWord(device),
    number,
    answer: t.banner.mustNot(device.reason),
    facts: [...facts, ...besides(device)],
    standing: standingOf(device, now),
  };
}

export function describeBanner(device: Device | undefined, news: News, now: Moment): Banner {
  const unsure = { tone: "unknown" as const, contact: "unknown" as const, number: "", standing: [] };
  if (!device || !news.fresh) {
    const word = news.age_s === null ? t.banner.noNewsYet : t.banner.noNews(duration(Math.max(1, news.age_s)));
    return { ...unsure, word, answer: `${t.banner.notKnown} ${news.why}`, facts: lastKnown(device, news, now) };
  }
  if (device.proof) {
    const answer = t.banner.mustNot(device.proof);
    return {
      ...unsure,
      tone: "wait",
      word: t.banner.proof,
      answer,
      facts: [t.banner.proves, ...besides(device)],
      standing: standingOf(device, now),
    };
  }
  if (device.monitorOnly) {
    const would = device.state === "permitted" ? t.banner.would : t.banner.wouldNot(device.reason);
    return { ...unsure, word: t.banner.monitorOnly, answer: t.banner.monitors, facts: [would] };
  }
  if (device.permit === true && device.state === "permitted") {
    const number = device.rf ? t.banner.on(forwardPower(device)) : t.banner.noRf;
    if (device.commissioningLeft !== null) {
      return {
        ...unsure,
        tone: "wait",
        contact: "closed",
        word: t.banner.commissioning,
        number: t.banner.left(duration(device.commissioningLeft)),
        answer: t.banner.commissions,
        facts: [rfFact(device)],
      };
    }
    return {
      ...unsure,
      tone: device.rf ? "air" : "go",
      contact: "closed",
      word: t.state["permitted"]!,
      number,
      answer: t.banner.may,
      facts: [rfFact(device), ...besides(device)],
    };
  }
  return inhibited(device, now);
}
