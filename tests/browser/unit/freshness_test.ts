import { expect, test } from "vitest";

import { Fleet, type Device, type Moment } from "@page/model/model";
import { age, judgeNews, type Link } from "@page/model/freshness";

const at = (steady: number, wall = steady): Moment => ({ steady, wall: 1_795_000_000_000 + wall });

function device(connection = "ready", newsAt: Moment | null = at(10_000)): Device {
  const fleet = new Fleet();
  fleet.take("homie/5/a/$state", connection, true, at(0));
  const one = fleet.get("a")!;
  one.news = newsAt;
  return one;
}

test("fresh up to three seconds, stale after", () => {
  expect(judgeNews(device(), "connected", at(0), at(13_000)).fresh).toBe(true);
  const late = judgeNews(device(), "connected", at(0), at(13_001));
  expect(late.fresh).toBe(false);
  expect(late.age_s).toBeCloseTo(3.001);
});

test("a machine that slept: the steady clock stood still, the other didn't", () => {
  expect(judgeNews(device(), "connected", at(0), at(10_500, 600_000)).fresh).toBe(false);
});

test("a clock set back makes nothing younger", () => {
  expect(age(at(10_000), at(20_000, -500_000))).toBe(10);
});

test.each<Link>(["connecting", "refused", "lost"])("without a connection (%s) nothing is fresh", (link) => {
  const news = judgeNews(device(), link, at(10_000), at(10_100));
  expect(news.fresh).toBe(false);
  expect(news.why).not.toBe("");
});

test.each(["lost", "disconnected", "sleeping"])("a device that is %s is not fresh, however new its last word", (connection) => {
  expect(judgeNews(device(connection), "connected", at(0), at(10_100)).fresh).toBe(false);
});

test("nothing heard yet", () => {
  const news = judgeNews(device("ready", null), "connected", at(0), at(10_100));
  expect([news.fresh, news.age_s]).toEqual([false, null]);
  expect(judgeNews(undefined, "connected", at(0), at(10_100)).why).toContain("No amplifier");
});
