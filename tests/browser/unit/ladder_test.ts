import { describe, expect, test } from "vitest";

import { adviceOf, byNearness, describeRung, edge, limitsAtRest, limitsNow, placeOf, restOf, shareOf, signalOf } from "@page/model/ladder";
import { Fleet, type Device, type Limit, type Quantity } from "@page/model/model";

const limit = (more: Partial<Limit> = {}): Limit => ({
  id: "heatsink", name: "Heatsink too hot", watch: "heatsink", unit: "°C", direction: "above", trip: 70, clear: 55, warn: 65,
  clear_by: "level", trips: true, provisional: false, edge: "reading", hold_off_s: 30, rearm: "automatic", ...more,
});
const vswr = limit({ id: "vswr", watch: "vswr", unit: "", trip: 2, clear: null, warn: 1.6 });
const power = limit({ id: "forward", watch: "forward", unit: "W", trip: 125, clear: null, warn: null });
const low = limit({ id: "supply-low", watch: "supply", unit: "V", direction: "below", trip: 23.8, clear: 26.04, warn: null });

function device(quantity: Partial<Quantity> | null, one: Limit, condition = "inside"): Device {
  const fleet = new Fleet();
  fleet.take("homie/5/a/$state", "ready", true, { steady: 0, wall: 0 });
  const found = fleet.get("a")!;
  found.limits = [one];
  if (quantity) found.quantities.set(one.watch, { value: null, low: null, high: null, quality: "good", ...quantity });
  found.values.set(`limits/${one.id}`, condition);
  return found;
}
const rung = (one: Limit, quantity: Partial<Quantity> | null, condition?: string) =>
  describeRung(device(quantity, one, condition), one, null);

describe("a limit that judges the uncertain end", () => {
  test("is as near as that end, and says so", () => {
    const fleet = new Fleet();
    fleet.take("homie/5/a/service/plan", JSON.stringify({ limits: [{ id: "reflected", name: "Reflected too high", watch: "reflected", unit: "W",
      direction: "above", edge: "high", trips: true, trip: 7, clear: null, clear_by: "rf off", hold_off_s: 1, rearm: "latched" }] }), true, { steady: 0, wall: 0 });
    const one = fleet.get("a")!;
    one.quantities.set("reflected", { value: 6.5, low: 5.7, high: 7.3, quality: "good" });
    const rung = describeRung(one, one.limits[0]!, null);
    expect(rung.value).toBe("6.50 W, at most 7.30 W");
    expect(rung.share).toBeGreaterThan(1);
    expect(rung.room).toContain("300 mW");
  });
});

describe("geometry", () => {
  test("every limit's trip stands at the common edge", () => {
    for (const one of [limit(), vswr, power, low]) expect(placeOf(one, one.trip)).toBeCloseTo(edge);
  });

  test("rest is where there is none of it, or far on the safe side", () => {
    expect(restOf(power)).toBe(0);
    expect(restOf(vswr)).toBe(1);
    expect(restOf(limit())).toBe(25);  // 70 − 3·15
    expect(restOf(low)).toBeCloseTo(30.52);  // 23.8 + 3·2.24
    expect(restOf(limit({ clear: null }))).toBe(0);
  });

  test("nearer to the trip is further to the right, in both directions", () => {
    expect(shareOf(vswr, 1.5)).toBeCloseTo(0.5);
    expect(shareOf(low, 28)).toBeLessThan(shareOf(low, 25));
    expect(shareOf(low, 23)).toBeGreaterThan(1);
    expect(shareOf(limit(), 60)).toBeLessThan(shareOf(limit(), 69));
  });

  test("nothing leaves the lane", () => {
    for (const value of [-1e9, -1, 0, 1e9]) {
      expect(placeOf(limit(), value)).toBeGreaterThanOrEqual(0);
      expect(placeOf(limit(), value)).toBeLessThanOrEqual(1);
    }
  });

  test("warning and clear are on the safe side of the edge", () => {
    const one = rung(limit(), { value: 48 });
    expect(one.warn!).toBeLessThan(edge);
    expect(one.clear!).toBeLessThan(one.warn!);
  });

  test("an interval without an upper end reaches the lane's end", () => {
    expect(rung(vswr, { value: 3, low: 2.5, high: 1e9 }).high).toBe(1);
    expect(rung(vswr, { value: 3, low: 2.5, high: null }).high).toBe(1);
    expect(rung(vswr, { value: 1.2, low: null, high: null })).toMatchObject({ low: null, high: null });
  });
});

describe("words", () => {
  test("head-room above and below", () => {
    expect(rung(limit(), { value: 66.2 })).toMatchObject({ value: "66.2 °C", room: "3.8 °C below its trip", measured: true });
    expect(rung(low, { value: 27.62 }).room).toBe("3.82 V above its trip");
    expect(rung(power, { value: 104 }).room).toBe("21.0 W (0.8 dB) below its trip");
    expect(rung(limit(), { value: 70.4 }).room).toBe("0.4 °C past its trip");
    expect(rung(low, { value: 23 }).room).toBe("0.80 V past its trip");
    expect(rung(limit(), { value: 70 }).room).toBe("at its trip");
  });

  test("what is at its floor is at most that", () => {
    expect(rung(power, { value: 0.05, quality: "at the floor" })).toMatchObject({ value: "at most 50.0 mW", room: "at least 125 W below its trip" });
  });

  test("above the range is at least that", () => {
    expect(rung(power, { value: 130, quality: "above range" }).value).toBe("at least 130 W");
  });

  test("not measurable is neither good nor bad, and has no mark", () => {
    expect(rung(vswr, { value: null, quality: "not measurable" }, "inside"))
      .toMatchObject({ value: "not measurable now", room: "exists only with RF", at: null, measured: false, share: null });
  });

  test("a faulty sensor looks so, even if a value were there", () => {
    expect(rung(limit(), { value: 48, quality: "bad CRC" }, "tripped"))
      .toMatchObject({ value: "no reading: bad CRC", room: "counts as unsafe", at: null, measured: false });
    expect(rung(limit(), null).measured).toBe(false);
  });

  test("conditions are dekeyd's own words; another is not known", () => {
    expect(rung(limit(), { value: 66 }, "warning").condition).toBe("warning");
    expect(rung(limit(), { value: 66 }, "splendid").condition).toBe("unknown");
  });

  test("what a screen reader says has value, room, condition and trip", () => {
    expect(rung(limit(), { value: 66.2 }, "warning").spoken).toBe("66.2 °C, 3.8 °C below its trip, warning; trips at 70.0 °C");
  });

  test("a limit that only warns says so", () => {
    const one = rung(limit({ trips: false, trip: 3, unit: "dB", watch: "compression", warn: null, clear: 2 }), { value: 1 });
    expect(one).toMatchObject({ room: "2.0 dB below its warning", trips: false, spoken: "1.0 dB, 2.0 dB below its warning; only warns, at 3.0 dB" });
  });

  test("a limit that rests has no head-room: it says why it rests", () => {
    const fan = limit({ id: "fan", watch: "fan", unit: "rpm", direction: "below", trip: 500, clear: 800, warn: null });
    const one = device({ value: 0 }, fan, "resting");
    expect(describeRung(one, fan, null)).toMatchObject({ condition: "resting", room: "rests: it doesn't watch now", share: null });
    one.resting.set("fan", "gate closed");
    expect(describeRung(one, fan, null).spoken).toBe("0 rpm, rests: gate closed; trips at 500 rpm");
    expect(rung(vswr, { value: null, quality: "not measurable" }, "resting").room).toBe("exists only with RF");
  });

  test("a provisional limit is one while commissioning, and none at other times", () => {
    const cap = limit({ id: "commissioning-forward", watch: "forward", unit: "W", trip: 12, provisional: true });
    const one = device({ value: 92.7 }, power);
    one.limits = [power, cap];
    one.values.set("limits/commissioning-forward", "resting");
    expect(limitsNow(one)).toEqual([power]);
    expect(describeRung(one, power, null)).toMatchObject({ title: "forward", room: "32.3 W (1.3 dB) below its trip" });
    one.values.set("limits/commissioning-forward", "tripped");
    expect(limitsNow(one)).toEqual([power, cap]);
  });

  test("two limits of one quantity have names of their own", () => {
    const high = limit({ id: "supply-high", watch: "supply", unit: "V", trip: 30.8 });
    const one = device({ value: 28 }, low);
    one.limits = [high, low];
    expect([high, low].map((each) => describeRung(one, each, null).title)).toEqual(["supply, upper", "supply, lower"]);
  });
});

describe("which limits are shown, and in which order", () => {
  test("one that rests is none now, by its condition or by the summary; it is named", () => {
    const one = device({ value: 0 }, power);
    one.limits = [power, vswr];
    one.resting.set("vswr", "gate closed");
    expect(limitsNow(one)).toEqual([power]);
    expect(limitsAtRest(one)).toEqual([vswr]);
  });

  test("one of which nothing is known stands", () => {
    expect(limitsNow(device(null, power, "splendid"))).toEqual([power]);
  });

  const row = (id: string, value: number | null, more = {}) => ({ ...rung(limit({ id }), value === null ? null : { value }), ...more });
  const ids = (rungs: { id: string }[]) => rungs.map((one) => one.id).join("");

  test("tripped, then unmeasured and unsafe, then by nearness", () => {
    expect(ids(byNearness([row("a", 30), row("b", 66), row("c", null), row("d", 50, { condition: "tripped" })], []))).toBe("dcba");
  });

  test("noise moves no row, a real change does", () => {
    const before = ["a", "b"];
    expect(ids(byNearness([row("a", 60), row("b", 61)], before))).toBe("ab");
    expect(ids(byNearness([row("a", 60), row("b", 65)], before))).toBe("ba");
  });
});

test("advice is what dekeyd says of the running amplifier: none without news, none where it has none", () => {
  const fleet = new Fleet();
  const at = { steady: 0, wall: 0 };
  const words = "Drive 1.5 dB too high for linear SSB: 3.0 dB below the 1 dB point, 4.5 dB advised. Cooling adequate: settles at 58 °C at this power, 12 K below the trip.";
  fleet.take("homie/5/a/$state", "ready", true, at);
  expect(adviceOf(fleet.get("a"), true)).toBe("");
  fleet.take("homie/5/a/permit/advice", words, true, at);
  expect(adviceOf(fleet.get("a"), true)).toBe(words);
  expect(adviceOf(fleet.get("a"), false)).toBe("");
  fleet.take("homie/5/a/permit/advice", "\0", true, at);
  expect(adviceOf(fleet.get("a"), true)).toBe("");
  expect(adviceOf(undefined, true)).toBe("");
});

test("the signal: dekeyd's sentence while there is RF or a receiver, a warning as dekeyd has it, and nothing of old news", () => {
  const fleet = new Fleet();
  const at = { steady: 0, wall: 0 };
  const summary = (transmitting_s: number | null) => JSON.stringify({ wall: new Date(0).toISOString(), sequence: 1, permit: true, state: "permitted", rf: transmitting_s !== null, transmitting_s, values: {} });
  const says = (fresh = true) => signalOf(fleet.get("a"), fresh);
  expect(says()).toEqual({ text: "", warns: false });
  fleet.take("homie/5/a/$state", "ready", true, at);
  fleet.take("homie/5/a/signal/clean", "Not known by measurement.", true, at);
  expect(says().text).toBe("");
  fleet.take("homie/5/a/service/summary", summary(3), true, at);
  expect(says()).toEqual({ text: "Not known by measurement.", warns: false });
  fleet.take("homie/5/a/service/summary", summary(null), true, at);
  expect(says().text).toBe("");
  fleet.take("homie/5/a/signal/warning", "true", true, at);
  expect(says()).toEqual({ text: "Not known by measurement.", warns: true });
  expect(says(false)).toEqual({ text: "", warns: false });
  fleet.take("homie/5/a/signal/warning", "false", true, at);
  expect(says().warns).toBe(false);
});
