import { describe, expect, test } from "vitest";

import { describeBanner, lastTrip } from "@page/model/banner";
import { Fleet, type Device, type Moment } from "@page/model/model";
import type { News } from "@page/model/freshness";

const now: Moment = { steady: 60_000, wall: Date.parse("2026-11-25T12:00:00Z") };
const fresh: News = { fresh: true, age_s: 0.4, why: "" };

function device(more: Partial<Device> = {}, settable: string[] = []): Device {
  const fleet = new Fleet();
  const properties = Object.fromEntries([["permit", {}], ...settable.map((word) => [word, { settable: true }])]);
  fleet.take("homie/5/a/$state", "ready", true, now);
  fleet.take("homie/5/a/$description", JSON.stringify({ name: "A", nodes: { permit: { properties } } }), true, now);
  fleet.take("homie/5/a/service/plan", JSON.stringify({ limits: [
    { id: "heatsink", name: "Heatsink too hot", watch: "heatsink", unit: "°C", direction: "above", trip: 70, clear: 55, clear_by: "level", provisional: false,
      hold_off_s: 30, rearm: "automatic" },
    { id: "forward", name: "Forward power too high", watch: "forward", unit: "W", direction: "above", trip: 125, clear: null,
      clear_by: "rf off", hold_off_s: 5, rearm: "automatic" }] }), true, now);
  return Object.assign(fleet.get("a")!, more);
}

const tripEvent = { epoch: "a", number: 5, wall: "2026-11-25T11:59:48Z", synchronised: true, kind: "tripped", source: "heatsink",
                    state: "tripped", first_cause: true, value: 70.4, unit: "°C", level: 70, origin: "none", text: "Tripped." };

function tripped(more: object = {}, event: object = {}): Device {
  const one = device({ permit: false, state: "tripped", reason: "Heatsink too hot 70.4 °C at or above 70.0 °C.",
                       causes: [{ id: "limit-heatsink", text: "", since_s: 12.3, hold_off_left_s: 18.2, latched: false, first: true, ...more }] });
  const fleet = new Fleet();
  fleet.devices.set("a", one);
  // From the list of recent ones, so that it isn't live.
  fleet.take("homie/5/a/service/recent", JSON.stringify([{ ...tripEvent, ...event }]), true, now);
  return one;
}

describe("it may transmit", () => {
  test("permitted, silent", () => {
    const banner = describeBanner(device({ permit: true, state: "permitted" }), fresh, now);
    expect(banner).toMatchObject({ tone: "go", contact: "closed", word: "Permitted", number: "no RF", answer: "It may transmit.", facts: ["No RF now."], standing: [] });
  });

  test("permitted, on the air", () => {
    const one = device({ permit: true, state: "permitted", rf: true, transmitting: 252 });
    one.quantities.set("forward", { value: 104, low: null, high: null, quality: "good" });
    expect(describeBanner(one, fresh, now)).toMatchObject({ tone: "air", number: "transmitting 104 W", facts: ["Transmitting for 4 min 12 s, 104 W forward."] });
  });
});

describe("a page that isn't sure never looks healthy", () => {
  const permitted = { permit: true, state: "permitted" };
  test("stale", () => {
    const banner = describeBanner(device(permitted), { fresh: false, age_s: 8.7, why: "The connection is lost." }, now);
    expect(banner).toMatchObject({ tone: "unknown", contact: "unknown", word: "No message for 8 s" });
    expect(banner.answer).toContain("not known");
    expect(banner.facts[0]).toContain("permitted. That may have changed since.");
  });

  test("no news ever, no device", () => {
    expect(describeBanner(undefined, { fresh: false, age_s: null, why: "" }, now)).toMatchObject({ tone: "unknown", word: "No message yet" });
  });

  test.each([
    ["state says permitted, permit doesn't", { permit: false, state: "permitted" }],
    ["permit says yes, state doesn't", { permit: true, state: "tripped" }],
    ["permit isn't known", { permit: null, state: "permitted" }],
    ["a state that isn't known", { permit: false, state: "daydreaming" }],
    ["nothing at all", { permit: null, state: "" }],
  ])("%s", (_name, more) => {
    const banner = describeBanner(device(more), fresh, now);
    expect(banner.tone).not.toBe("go");
    expect(banner.contact).not.toBe("closed");
    expect(banner.answer).toContain("must not transmit");
  });

  test("monitor-only says that something else holds the line", () => {
    const banner = describeBanner(device({ ...permitted, monitorOnly: true }), fresh, now);
    expect(banner).toMatchObject({ tone: "unknown", contact: "unknown", word: "Monitor only", facts: ["It would permit."] });
  });
});

describe("what isn't service never looks like it", () => {
  test("commissioning: permitted, and not in the colour of service", () => {
    const banner = describeBanner(device({ permit: true, state: "permitted", commissioningLeft: 700 }), fresh, now);
    expect(banner).toMatchObject({ tone: "wait", contact: "closed", word: "Commissioning", number: "11 min 40 s left" });
  });

  test("commissioning goes on beside a trip, and is said there", () => {
    const one = tripped();
    one.commissioningLeft = 60;
    expect(describeBanner(one, fresh, now).facts.join()).toContain("Commissioning goes on for another 1 min 00 s");
  });

  test.each([true, false])("a proof test: no permit to transmit, whatever the line does (%s)", (permit) => {
    const banner = describeBanner(device({ permit, state: "permitted", proof: "Proof test: the line is driven to permit and back." }), fresh, now);
    expect(banner).toMatchObject({ tone: "wait", contact: "unknown", word: "Proof test" });
    expect(banner.answer).toBe("It must not transmit. Proof test: the line is driven to permit and back.");
  });

  test("RF without a permit is said", () => {
    expect(describeBanner(device({ permit: false, state: "held", held: "local", rf: true }), fresh, now).facts).toContain("RF is there all the same: cut the drive.");
  });
});

describe("all that stands", () => {
  test("the first cause first, each with who, why and since when; then the holds", () => {
    const causes = [
      { id: "sensor-ambient", text: "Air bad CRC", since_s: 3, hold_off_left_s: 5, latched: false, first: false },
      { id: "limit-heatsink", text: "Heatsink too hot 70.4 °C at or above 70.0 °C", since_s: 12, hold_off_left_s: 30, latched: true, first: true }];
    const list = describeBanner(device({ permit: false, state: "latched", held: "both", causes }), fresh, now).standing;
    expect(list.map((one) => [one.who, one.since])).toEqual([["by a limit", "for 12 s"], ["by a sensor", "for 3 s"],
      ["by an operator", "since when is not known"], ["by an operator", "since when is not known"]]);
  });

  test("without a permit it is never empty: dekeyd's reason is there", () => {
    const banner = describeBanner(device({ permit: false, state: "permitted", reason: "The daemon stops, and inhibits." }), fresh, now);
    expect(banner.standing.map((one) => one.what)).toEqual(["The daemon stops, and inhibits"]);
  });

  test("what outlived a restart is among it", () => {
    const one = device({ permit: false, state: "latched" });
    one.alerts.set("first-start", "First start: an operator must reset it once.");
    expect(describeBanner(one, fresh, now).standing.map((each) => each.what)).toEqual(["First start: an operator must reset it once"]);
  });
});

describe("why not, and what then", () => {
  test("tripped: value, limit, how long ago, what re-arms it", () => {
    const banner = describeBanner(tripped(), fresh, now);
    expect(banner).toMatchObject({ tone: "stop", contact: "open", word: "Tripped",
                                   answer: "It must not transmit. Heatsink too hot 70.4 °C at or above 70.0 °C." });
    expect(banner.number).toBe("Heatsink too hot 70.4 °C");
    expect(banner.facts).toEqual(["Tripped at 70.4 °C; its limit is 70.0 °C; 12 s ago."]);
    expect(banner.standing).toEqual([{ id: "limit-heatsink", what: "Heatsink too hot", who: "by a limit", since: "for 12 s",
                                       way: "re-arms by itself once it has been below 55.0 °C for another 19 s." }]);
  });

  test("without ages in the summary the event's own time tells", () => {
    expect(describeBanner(tripped({ since_s: null, hold_off_left_s: null }), fresh, now).facts[0]).toContain("12 s ago");
    expect(describeBanner(tripped({ since_s: null }, { synchronised: false }), fresh, now).facts[0]).not.toContain("ago");
  });

  test("what clears by RF being off says so", () => {
    const one = device({ permit: false, state: "tripped", causes: [
      { id: "limit-forward", text: "", since_s: 1, hold_off_left_s: 5, latched: false, first: true }] });
    expect(describeBanner(one, fresh, now).standing[0]).toMatchObject({ what: "Forward power too high", way: "re-arms by itself once RF has been off for another 5 s." });
  });

  test.each([["latched", "Latched"], ["locked out", "Locked out"]])("%s: who resets it, and where", (state, word) => {
    const causes = [{ id: "limit-heatsink", text: "", since_s: 3, hold_off_left_s: null, latched: true, first: true }];
    const here = describeBanner(device({ permit: false, state, causes }, ["reset"]), fresh, now);
    expect(here.word).toBe(word);
    expect(here.facts.join()).toContain("here or at the amplifier");
    const there = describeBanner(device({ permit: false, state, causes }), fresh, now);
    expect(there.facts.join()).toContain("at the amplifier (dekeyctl reset)");
    expect(there.standing.map((each) => each.way).join()).not.toContain("re-arms by itself");
  });

  test("held: since when and why, and a start's hold is called that", () => {
    const fleet = new Fleet();
    const summary = (holds: object[], held: string) => {
      fleet.take("homie/5/a/$state", "ready", true, now);
      fleet.take("homie/5/a/service/summary", JSON.stringify({ wall: "2026-11-25T12:00:00Z", synchronised: true, sequence: 1, permit: false,
        state: "held", reason: "Held.", held, holds }), false, now);
      return describeBanner(fleet.get("a"), fresh, now).standing;
    };
    const since = "2026-11-25T11:02:00.000Z";
    const [one] = summary([{ by: "local", since, synchronised: true, reason: "climber on the mast", text: "" }], "local");
    expect(one!.what).toBe("Held at the amplifier: ‘climber on the mast’");
    expect(one!.since).toContain("11:02");
    const both = summary([{ by: "local", since: null, synchronised: false, reason: "", text: "" },
                          { by: "start", since, synchronised: false, reason: "", text: "" }], "both");
    expect(both.map((each) => each.what)).toEqual(["Held at the amplifier", "Held since the start (after_start: held)"]);
    expect(both[1]!.since).not.toContain("11:02");  // a clock that wasn't set
    // Of another version, or damaged.
    expect(summary([1, { by: 2, reason: [] }] as object[], "remote")[0]!.what).toBe("Held over the network");
  });

  test("held: by whom, and who releases", () => {
    const held = (by: string, settable: string[] = []) =>
      describeBanner(device({ permit: false, state: "held", held: by }, settable), fresh, now);
    expect(held("local")).toMatchObject({ tone: "hold", word: "Held" });
    const ways = (by: string, settable: string[] = []) => held(by, settable).standing.map((each) => each.way);
    expect(ways("local", ["release"])).toEqual(["Held at the amplifier: only an operator there releases it."]);
    expect(ways("both", ["release"])[0]).toContain("only an operator there");
    expect(ways("both", ["release"])).toHaveLength(2);
    expect(ways("remote", ["release"])[0]).toContain("here or at the amplifier");
    expect(ways("remote")[0]).toContain("dekeyctl release");
    expect(held("remote").number).toBe("over the network");
  });

  test("starting: how long still", () => {
    expect(describeBanner(device({ permit: false, state: "starting", settlingLeft: 2.1 }), fresh, now))
      .toMatchObject({ tone: "wait", word: "Starting", number: "3 s",
                       standing: [{ way: "Permits once every reading has been good for another 3 s." }] });
  });
});

test("a trip before the last permit is history", () => {
  const one = tripped();
  expect(lastTrip(one)?.number).toBe(5);
  const fleet = new Fleet();
  fleet.devices.set("a", one);
  fleet.take("dekeyd/a/event", JSON.stringify({ ...tripEvent, number: 6, kind: "permitted", first_cause: false }), false, now);
  expect(lastTrip(one)).toBeUndefined();
});
