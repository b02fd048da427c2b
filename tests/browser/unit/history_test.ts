import { expect, test } from "vitest";

import { History } from "@page/model/history";

const values = (forward: number | null) => new Map([["forward", forward]]);
function read(history: History, id: string): (number | null)[] {
  const into: (number | null)[] = [];
  history.values(id, into);
  return into;
}

test("keeps the last hour and no more", () => {
  const history = new History(5);
  for (let i = 0; i < 12; ++i) history.add(100 + i, true, values(i));
  const times: number[] = [];
  history.times(times);
  expect(times).toEqual([107, 108, 109, 110, 111]);
  expect(read(history, "forward")).toEqual([7, 8, 9, 10, 11]);
});

test("what wasn't measured is a gap, and an old value never shows through", () => {
  const history = new History(3);
  for (let i = 0; i < 3; ++i) history.add(i, true, values(50));
  for (let i = 3; i < 6; ++i) history.add(i, false, values(null));
  expect(read(history, "forward")).toEqual([null, null, null]);
  expect(read(history, "never heard of")).toEqual([null, null, null]);
});

test("silence breaks the line", () => {
  const history = new History(10);
  history.add(1, true, values(1));
  history.add(31, true, values(2));
  expect(read(history, "forward")).toEqual([1, null, 2]);
  expect([0, 1, 2].map((i) => history.permit(i))).toEqual([1, -1, 1]);
});

test("a clock set back begins anew; a second sample of one instant is dropped", () => {
  const history = new History(10);
  history.add(100, true, values(1));
  history.add(100, true, values(2));
  expect(history.length).toBe(1);
  history.add(50, true, values(3));
  expect(read(history, "forward")).toEqual([3]);
});

test("span over the last while", () => {
  const history = new History(10);
  [5, 1, 9, 4].forEach((value, i) => history.add(i, true, values(value)));
  expect(history.span("forward", 0)).toEqual([1, 9]);
  expect(history.span("forward", 2.5)).toEqual([4, 4]);
  expect(history.span("forward", 99)).toBeNull();
  expect(history.span("vswr", 0)).toBeNull();
});

test("first finds by time", () => {
  const history = new History(4);
  for (let i = 0; i < 9; ++i) history.add(i * 2, true, values(i));
  expect(history.first(0)).toBe(0);
  expect(history.first(13)).toBe(2);
  expect(history.first(999)).toBe(4);
});

test("series are bounded", () => {
  const history = new History(2);
  history.add(1, true, new Map(Array.from({ length: 500 }, (_, i) => [`q${i}`, i])));
  expect(read(history, "q3")).toEqual([3]);
  expect(read(history, "q499")).toEqual([null]);
});
