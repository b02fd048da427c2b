import { readFileSync } from "node:fs";
import { expect, test } from "vitest";

import { History } from "@page/model/history";
import { Past, readPiece, type Bin } from "@page/broker/history_pieces";
import { highOf, lowOf } from "@page/model/trends";

interface Expected {
  at: number;
  heatsink: (number | null)[];
  forward: (number | null)[];
  permitted: boolean | null;
}
const file = JSON.parse(readFileSync(new URL("../../agree/pieces.json", import.meta.url), "utf8")) as {
  piece: Record<string, unknown>;
  bins: Expected[];
};
const ends = (bin: Bin, id: string) => [bin.lows.get(id), bin.means.get(id), bin.highs.get(id)];
const piece = (from: number, step: number, values: (number | null)[]) => {
  let last = 0;
  const m = values.map((value) => {
    if (value === null) return null;
    const difference = value - last;
    last = value;
    return difference;
  });
  return JSON.stringify({ from, step, n: values.length, series: { forward: { d: 0, m }, permit: { d: 0, m: [1] } } });
};
function read(history: History, id = "forward"): (number | null)[] {
  const into: (number | null)[] = [];
  history.values(id, into);
  return into;
}

test("a piece is read as dekeyd writes it", () => {
  const bins = readPiece(JSON.stringify(file.piece));
  expect(bins.map((bin) => ({ at: bin.at, heatsink: ends(bin, "heatsink"), forward: ends(bin, "forward"), permitted: bin.permitted })))
    .toEqual(file.bins);
  expect(bins[0]!.means.has("permit")).toBe(false);
});

test.each(["", "{", "[]", "7", '{"from":1}', '{"from":1,"step":0,"n":5,"series":{}}', '{"from":1,"step":1,"n":1e9,"series":{}}'])(
  "what is no piece has no bins: %s", (payload) => {
    expect(readPiece(payload)).toEqual([]);
  });

test("pieces in any order and places, none older than their level goes, none from the future", () => {
  const past = new Past();
  const now = 1_796_040_000;
  past.take("hour/1", piece(now - 60, 1, [5, 6]));
  past.take("hour/0", piece(now - 120, 1, [3, 4]));
  past.take("hour/7", piece(now - 3700, 1, [1, 2])); // an earlier round's, whose place was never taken since
  past.take("hour/2", piece(now + 600, 1, [9]));
  past.take("day/0", piece(now - 7200, 30, [8]));
  past.take("year/0", piece(now - 60, 1, [7]));
  past.take("hour/1/more", piece(now - 60, 1, [7]));
  expect(past.bins("hour", now).map((bin) => bin.means.get("forward"))).toEqual([3, 4, 5, 6]);
  expect(past.bins("day", now).map((bin) => bin.means.get("forward"))).toEqual([8]);
  expect(past.count("hour")).toBe(4);
  past.take("hour/1", "");
  expect(past.bins("hour", now).map((bin) => bin.means.get("forward"))).toEqual([3, 4]);
});

test("fills up what the page hasn't seen, and leaves what it has", () => {
  const history = new History(100);
  history.add(1000, true, new Map([["forward", 50]]));
  history.add(1001, true, new Map([["forward", 51]]));
  history.fill(readPiece(piece(995, 1, [1, 2, 3, 4, 5, 6, 7])), 0);
  expect(read(history)).toEqual([1, 2, 3, 4, 50, 51]);
  // Again with one more, and a gap that the connection had.
  history.add(1020, true, new Map([["forward", 52]]));
  expect(read(history)).toEqual([1, 2, 3, 4, 50, 51, null, 52]);
  history.fill(readPiece(piece(1002, 1, Array.from({ length: 17 }, () => 60))), 0);
  expect(read(history).filter((value) => value === 60).length).toBeGreaterThan(14);
  expect(read(history)).not.toContain(null);
  expect(read(history).at(-1)).toBe(52);
});

test("by the viewer's clock, and no more than there is room for", () => {
  const history = new History(5);
  history.fill(readPiece(piece(1000, 1, [1, 2, 3, 4, 5, 6, 7])), 3600);
  expect(read(history)).toEqual([3, 4, 5, 6, 7]);
  expect(history.last).toBe(1000.5 + 6 + 3600);
});

test("a longer time has smallest and largest beside its means; what is missing is a gap", () => {
  const history = new History(100, 45);
  history.replace([...readPiece(piece(0, 30, [10, null, 12])), ...readPiece(piece(300, 30, [20]))], 0);
  expect(read(history)).toEqual([10, null, 12, null, 20]);
  expect(read(history, lowOf("forward"))).toEqual([10, null, 12, null, 20]);
  expect(read(history, highOf("forward"))).toEqual([10, null, 12, null, 20]);
});
