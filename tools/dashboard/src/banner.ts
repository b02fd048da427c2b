// May it transmit? The answer in words, from what is known and how fresh it is.
import { viewersTime, type Cause, type Device, type Happening, type Limit, type Moment } from "./model";
import type { News } from "./news";
import { clock, duration, withUnit } from "./words";

export type Tone = "go" | "stop" | "hold" | "wait" | "unknown";

export interface Banner {
  tone: Tone;
  contact: "closed" | "open" | "unknown"; ///< the line, as a contact is drawn
  word: string;
  answer: string; ///< to "may it transmit?"
  facts: string[];
}

const stateWords: Record<string, { word: string; tone: Tone }> = {
  starting: { word: "Starting", tone: "wait" },
  tripped: { word: "Tripped", tone: "stop" },
  held: { word: "Held", tone: "hold" },
  latched: { word: "Latched", tone: "stop" },
  "locked out": { word: "Locked out", tone: "stop" },
};

export function stateWord(device: Device): string {
  if (device.state === "permitted") return device.permit ? "Permitted" : "Inhibited";
  return stateWords[device.state]?.word ?? "Unknown";
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

export function limitOf(device: Device, cause: Cause): Limit | undefined {
  return device.limits.find((limit) => cause.id === `limit-${limit.id}` || cause.id === limit.id);
}

function ago(device: Device, trip: Happening | undefined, cause: Cause | undefined, now: Moment): string {
  if (cause?.since_s !== null && cause?.since_s !== undefined) return `${duration(cause.since_s)} ago`;
  const at = trip ? viewersTime(device, trip) : null;
  return at === null ? "" : `${duration((now.wall - at) / 1000)} ago`;
}

function tripFact(device: Device, now: Moment): string[] {
  const cause = firstCause(device);
  const last = lastTrip(device);
  const trip = last && (!cause || cause.id.endsWith(last.source)) ? last : undefined;
  const when = ago(device, trip, cause, now);
  if (trip && trip.value !== null && trip.level !== null) {
    const text = `Tripped at ${withUnit(trip.value, trip.unit)}; its limit is ${withUnit(trip.level, trip.unit)}`;
    return [when ? `${text}; ${when}.` : `${text}.`];
  }
  return when ? [`Since ${when}.`] : [];
}

/// What has to come before the permit does.
function wayOut(device: Device): string[] {
  const facts: string[] = [];
  for (const cause of device.causes) {
    const limit = limitOf(device, cause);
    const left = cause.hold_off_left_s;
    const name = limit?.name ?? cause.text.replace(/\.$/, "") ?? cause.id;
    if (cause.latched) continue;
    const wait = left !== null ? duration(Math.ceil(left)) : limit ? duration(limit.hold_off_s) : "";
    let gone = "once its cause has been gone";
    if (limit?.clear_by === "rf off") gone = "once RF has been off";
    else if (limit && limit.clear !== null) {
      gone = `once it has been ${limit.direction === "above" ? "below" : "above"} ${withUnit(limit.clear, limit.unit)}`;
    }
    facts.push(`${name}: re-arms by itself ${gone}${wait ? ` for another ${wait}` : ""}.`);
  }
  return facts;
}

function settable(device: Device, command: string): boolean {
  return device.nodes.get("permit")?.properties.get(command)?.settable === true;
}

function resetWay(device: Device): string {
  return settable(device, "reset") ? "An operator resets it, here or at the amplifier, once the cause has gone."
                                   : "An operator resets it at the amplifier (dekeyctl reset), once the cause has gone.";
}

function facts(device: Device, now: Moment): string[] {
  switch (device.state) {
    case "tripped":
      return [...tripFact(device, now), ...wayOut(device)];
    case "latched":
    case "locked out":
      return [...tripFact(device, now), resetWay(device), ...wayOut(device)];
    case "held": {
      const local = device.held === "local" || device.held === "both";
      const way = local ? "Held at the amplifier: only an operator there releases it."
                        : settable(device, "release") ? "Held from afar: an operator releases it, here or at the amplifier."
                                                      : "Held from afar: an operator releases it at the amplifier (dekeyctl release).";
      return [way, ...wayOut(device)];
    }
    case "starting":
      return device.settlingLeft ? [`Permits once every reading has been good for another ${duration(Math.ceil(device.settlingLeft))}.`] : [];
    default:
      return [];
  }
}

function lastKnown(device: Device | undefined, news: News, now: Moment): string[] {
  if (!device || news.age_s === null || !device.state) return ["Nothing is known of the amplifier."];
  const at = clock(now.wall - news.age_s * 1000, now.wall);
  return [`Last known, at ${at}: ${stateWord(device).toLowerCase()}. That may have changed since.`,
          "The protection needs neither this page nor the broker."];
}

export function describeBanner(device: Device | undefined, news: News, now: Moment): Banner {
  if (!device || !news.fresh) {
    const word = news.age_s === null ? "No news yet" : `No news for ${duration(Math.max(1, news.age_s))}`;
    return { tone: "unknown", contact: "unknown", word, answer: `Whether it may transmit is not known. ${news.why}`,
             facts: lastKnown(device, news, now) };
  }
  if (device.monitorOnly) {
    const would = device.state === "permitted" ? "It would permit." : `It would not permit: ${device.reason}`;
    return { tone: "unknown", contact: "unknown", word: "Monitor only",
             answer: "dekeyd measures, and does not hold the line: something else permits.", facts: [would] };
  }
  if (device.permit === true && device.state === "permitted") {
    const forward = device.quantities.get(device.roles.get("forward") ?? "forward");
    const power = forward && forward.value !== null ? `, ${withUnit(forward.value, "W")} forward` : "";
    const since = device.transmitting !== null ? ` for ${duration(device.transmitting)}` : "";
    return { tone: "go", contact: "closed", word: "Permitted", answer: "It may transmit.",
             facts: [device.rf ? `Transmitting${since}${power}.` : "No RF now."] };
  }
  const known = stateWords[device.state];
  if (!known || device.permit === true) {
    return { tone: "stop", contact: device.permit === true ? "unknown" : "open", word: stateWord(device),
             answer: `It must not transmit. ${device.reason}`, facts: [] };
  }
  return { tone: known.tone, contact: "open", word: known.word, answer: `It must not transmit. ${device.reason}`,
           facts: facts(device, now) };
}
