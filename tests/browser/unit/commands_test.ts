import { describe, expect, test } from "vitest";

import { answers, consequences, keepPressed_ms, offers, undoing } from "@page/model/commands";
import { Fleet, type Device, type Happening } from "@page/model/model";

function device(settable: string[], more: Partial<Device> = {}): Device {
  const fleet = new Fleet();
  const all = ["hold", "release", "reset"].map((word) => [word, { settable: settable.includes(word) }]);
  fleet.take("homie/5/a/$state", "ready", true, { steady: 0, wall: 0 });
  fleet.take("homie/5/a/$description", JSON.stringify({ nodes: { permit: { properties: Object.fromEntries(all) } } }), true, { steady: 0, wall: 0 });
  return Object.assign(fleet.get("a")!, more);
}

const happening = (kind: string, more: Partial<Happening> = {}): Happening => ({
  epoch: "a", number: 1, wall: 0, synchronised: true, kind, severity: "notice", sign: "·", source: "", state: "", firstCause: false, value: null, unit: "", level: null,
  origin: "remote", text: "", live: true, ...more,
});

describe("offers", () => {
  test("only what the description lets be set", () => {
    expect(offers(device(["hold"])).map((one) => one.command)).toEqual(["hold"]);
    expect(offers(device(["hold", "release", "reset"])).map((one) => one.command)).toEqual(["hold", "release", "reset"]);
    expect(offers(device([]))).toEqual([]);
    expect(offers(undefined)).toEqual([]);
  });

  test("hold takes a deliberate press of less than a second, and says what undoes it", () => {
    expect(keepPressed_ms).toBeGreaterThanOrEqual(500);
    expect(keepPressed_ms).toBeLessThan(1000);
    expect(undoing(device(["hold"]))).toContain("Only an operator at the amplifier");
    expect(undoing(device(["hold", "release"]))).toContain("here or at the amplifier");
  });

  test("hold asks nothing, the others ask", () => {
    expect(offers(device(["hold", "release", "reset"])).map((one) => one.asks)).toEqual([false, true, true]);
  });
});

describe("answers", () => {
  test("each command's own event, or a refusal", () => {
    expect(answers("hold", happening("held"))).toBe(true);
    expect(answers("release", happening("released"))).toBe(true);
    expect(answers("reset", happening("reset"))).toBe(true);
    expect(answers("reset", happening("refused"))).toBe(true);
    expect(answers("hold", happening("reset"))).toBe(false);
    expect(answers("hold", happening("tripped"))).toBe(false);
  });

  test("an operator's at the amplifier is no answer, nor is one from the list of old ones", () => {
    expect(answers("hold", happening("held", { origin: "local" }))).toBe(false);
    expect(answers("hold", happening("held", { live: false }))).toBe(false);
  });
});

describe("consequences", () => {
  test("a reset names what is latched, and that it doesn't permit by itself", () => {
    const causes = [{ id: "limit-vswr", text: "VSWR too high 2.41 at or above 2.00.", since_s: 1, hold_off_left_s: null, latched: true, first: true }];
    const text = consequences("reset", device(["reset"], { state: "latched", causes })).join(" ");
    expect(text).toContain("VSWR too high 2.41 at or above 2.00.");
    expect(text).toContain("does not permit by itself");
    expect(text).toContain("nobody works on");
  });

  test("nothing latched, nothing held: nothing will change", () => {
    expect(consequences("reset", device([], { state: "permitted" }))[0]).toContain("nothing will change");
    expect(consequences("release", device([], { held: "none" }))[0]).toContain("nothing will change");
  });

  test("a hold at the amplifier isn't released from here", () => {
    expect(consequences("release", device([], { held: "both" }))[0]).toContain("released only there");
    expect(consequences("release", device([], { held: "remote" }))[0]).toBe("The hold over the network ends.");
  });
});
