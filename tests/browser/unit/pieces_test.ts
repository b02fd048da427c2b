// The page's smaller pure parts: its address, its two languages, CSV, incidents, cards, the wait before a new try.
import { readdirSync, readFileSync } from "node:fs";
import { afterEach, describe, expect, test } from "vitest";

import type { Capture } from "@page/model/capture";
import { captureCsv, csv, eventsCsv } from "@page/model/csv";
import { de } from "@page/text/de";
import { en } from "@page/text/en";
import { cardsOf } from "@page/model/fleet";
import { incidentsOf, sketch } from "@page/model/incidents";
import { fitting, t, useLanguage } from "@page/text/language";
import { waitBefore } from "@page/broker/link";
import { Fleet } from "@page/model/model";
import { hashOf, placeOf } from "@page/model/view_address";
import { showDbm, shown, withUnit } from "@page/text/figures";

const now = { steady: 0, wall: Date.parse("2026-11-25T12:00:00Z") };

test.each([["", "amplifier", ""], ["#a-1", "amplifier", "a-1"], ["#wall", "wall", ""], ["#wall/a-1", "wall", "a-1"], ["#fleet", "fleet", ""],
           ["#%E0%A4%A", "amplifier", ""], ["#walled", "amplifier", "walled"]])("the address %s", (hash, view, id) => {
  expect(placeOf(hash)).toEqual({ view, id });
  if (id) expect(placeOf(hashOf({ view: view as "wall", id }))).toEqual({ view, id });
});

describe("languages", () => {
  afterEach(() => useLanguage("en"));

  const keys = (table: object, path = ""): string[] =>
    Object.entries(table).flatMap(([key, value]) => (typeof value === "object" && !Array.isArray(value) ? keys(value, `${path}${key}.`) : [path + key]));

  test("both have every word", () => {
    expect(keys(de).sort()).toEqual(keys(en).sort());
    expect(de.details.chainColumns).toHaveLength(en.details.chainColumns.length);
    expect(de.details.sensorColumns).toHaveLength(en.details.sensorColumns.length);
    expect(de.details.exposureColumns).toHaveLength(en.details.exposureColumns.length);
    expect(de.details.transmissionColumns).toHaveLength(en.details.transmissionColumns.length);
  });

  test("a reader's first language that there is", () => {
    expect([fitting(["de-AT", "en"]), fitting(["fr", "de"]), fitting(["fr"]), fitting([])]).toEqual(["de", "de", "en", "en"]);
    useLanguage("de");
    expect(t.banner.may).toBe("Er darf senden.");
    useLanguage("xx");
    expect(t.banner.may).toBe("It may transmit.");
  });

  test("no view has words of its own: all are in the tables", () => {
    const source = new URL("../../../tools/dashboard/src/", import.meta.url);
    const found: string[] = [];
    for (const file of readdirSync(source, { recursive: true }).map(String).filter((name) => /^(views\/.*|main|model\/(banner|standing|commands|freshness|ladder|trends))\.ts$/.test(name))) {
      const text = readFileSync(new URL(file, source), "utf8").replace(/\/\/.*$/gm, "");
      // Between two tags: letters that no ${} brought.
      for (const [, words] of text.matchAll(/>([^<>${}`=();]*[A-Za-z]{3}[^<>${}`=();]*)<\//g)) found.push(`${file}: ${words!.trim()}`);
      for (const [, words] of text.matchAll(/"([A-Z][a-z]+ [a-z ]{4,}[^"]*)"/g)) found.push(`${file}: ${words}`);
    }
    expect(found).toEqual([]);
  });
});

test("dBm stands beside watts where the viewer wants it", () => {
  expect(shown(104, "W")).toBe("104 W");
  showDbm(true);
  expect([shown(104, "W"), shown(0.001, "W"), shown(0, "W"), shown(27.6, "V"), withUnit(104, "W")])
    .toEqual(["104 W (50.2 dBm)", "1.00 mW (0.0 dBm)", "0.000 W", "27.60 V", "104 W"]);
  showDbm(false);
});

test("the wait before a new try grows, is bounded, and has chance in it", () => {
  expect([0, 1, 2, 10, 1000].map((attempt) => waitBefore(attempt, 1))).toEqual([1000, 2000, 4000, 15000, 15000]);
  expect(waitBefore(10, 0)).toBe(7500);
});

describe("CSV", () => {
  // RFC 4180: fields with commas, quotes or breaks are quoted, quotes doubled, lines end with CR LF.
  test("quotes as RFC 4180 has it, and no text becomes a spreadsheet's formula", () => {
    expect(csv([["a,b", 'say "x"', 1.5, null], ["=1+1", "-3 dB", -3, "x\ny"]])).toBe('"a,b","say ""x""",1.5,\r\n\'=1+1,\'-3 dB,-3,"x\ny"\r\n');
  });

  test("a capture: a row each step, the permit as it stood", () => {
    const capture: Capture = { at_s: 1, wall: 0, synchronised: true, cause: "", watch: "vswr", level: 2, steps: 3, lost: 0, permit: [[-1, true], [0, false]],
                               t: [-1, 0, 1], curves: [{ id: "vswr", name: "VSWR", unit: "", values: [1.2, 2.4, null] }] };
    expect(captureCsv(capture)).toBe("t_s,permit,vswr\r\n-1,1,1.2\r\n0,0,2.4\r\n1,0,\r\n");
  });
});

function amplifier(events: [string, object?][]): Fleet {
  const fleet = new Fleet();
  fleet.take("homie/5/a/$state", "ready", true, now);
  fleet.take("homie/5/a/$description", JSON.stringify({ name: "A", nodes: { permit: { properties: { permit: {} } } } }), true, now);
  fleet.take("homie/5/a/service/recent", JSON.stringify(events.map(([kind, more], i) => (
    { epoch: "e", number: i + 1, at_s: i, wall: new Date(now.wall + i * 1000).toISOString(), synchronised: true, kind, text: `${kind} ${i}`, ...more }))), true, now);
  return fleet;
}

describe("incidents", () => {
  const kinds = (fleet: Fleet) => incidentsOf(fleet.get("a")!).map((one) => [one.before.length, one.trip.number, one.after.map((each) => each.kind).join(), one.ended !== null]);

  test("what led to it, the trip, what came then, the permit", () => {
    expect(kinds(amplifier([["RF on"], ["warning"], ["tripped", { first_cause: true }], ["tripped"], ["cleared"], ["reset"], ["permitted"], ["RF on"]])))
      .toEqual([[2, 3, "tripped,cleared,reset,permitted", true]]);
  });

  test("two of them, the newer first and still open", () => {
    expect(kinds(amplifier([["tripped", { first_cause: true }], ["permitted"], ["tripped", { first_cause: true }]])))
      .toEqual([[0, 3, "", false], [0, 1, "permitted", true]]);
  });

  test("a gap in a curve stays one", () => {
    const capture: Capture = { at_s: 1, wall: 0, synchronised: true, cause: "", watch: "x", level: 2, steps: 4, lost: 0, permit: [], t: [-1, 0, 1, 2], curves: [] };
    expect(sketch(capture, { id: "x", name: "X", unit: "", values: [1, 2, null, 1] }))
      .toEqual({ path: "M0 28L33.33 2M100 28", level: 2, trip: 33.33 });
  });
});

test("events as CSV carry what a stranger wrote as text", () => {
  const device = amplifier([["RF on", { text: '=HYPERLINK("x")' }]]).get("a")!;
  expect(eventsCsv(device).split("\r\n")[1]).toMatch(/,"'=HYPERLINK\(""x""\)"$/);
});

test("cards: what tripped first, then what isn't known, what may transmit last", () => {
  const fleet = new Fleet();
  const put = (id: string, permit: boolean, state: string, live: boolean) => {
    fleet.take(`homie/5/${id}/$state`, "ready", true, now);
    fleet.take(`homie/5/${id}/$description`, JSON.stringify({ name: id, nodes: { permit: { properties: { permit: {} } } } }), true, now);
    fleet.take(`homie/5/${id}/service/summary`, JSON.stringify({ sequence: 1, permit, state, reason: "x", wall: new Date(now.wall).toISOString() }), !live, now);
  };
  put("fine", true, "permitted", true);
  put("held", false, "held", true);
  put("old", true, "permitted", false);
  put("worst", false, "tripped", true);
  expect(cardsOf(fleet.known(), "connected", now, now).map((card) => [card.id, card.banner.tone]))
    .toEqual([["worst", "stop"], ["old", "unknown"], ["held", "hold"], ["fine", "go"]]);
  expect(cardsOf(fleet.known(), "lost", now, now).every((card) => card.banner.tone === "unknown")).toBe(true);
});
