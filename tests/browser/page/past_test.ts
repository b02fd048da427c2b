// Opened late: what was measured before is there at once, and a day of it.
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, expect, test } from "vitest";

import { Broker, openBrowser, openPage, until } from "../stage";
import { StandIn } from "../stand_in";

let browser: Browser;
let broker: Broker;

beforeAll(async () => {
  browser = await openBrowser();
  broker = new Broker();
  await broker.start();
});

afterAll(async () => {
  await browser?.close();
  await broker?.end();
});

const power = (page: Page) => page.locator("[data-chart=power]").getAttribute("aria-label");

/// A radio button is drawn by its label alone.
const choose = (page: Page, time: string) => page.locator(".windows label").filter({ hasText: time }).click();

test("a page that is opened late shows the last hour at once, and the day when it is asked", async () => {
  const one = await StandIn.start(broker.port);
  one.run();
  await one.past(10, 5);
  const { page, complaints } = await openPage(browser, broker);
  await choose(page, "1 hour");
  // Minutes back, by a page that is some seconds old.
  await until("five minutes ago", async () => {
    await page.locator(".charts").focus(); // hidden until there is something to draw
    await page.keyboard.press("Escape");
    for (let i = 0; i < 5; ++i) await page.keyboard.press("PageUp");
    return /^Power, [4-6] min.* ago: Forward power 9\d(\.\d)? W/.test((await power(page)) ?? "");
  });
  await choose(page, "1 day");
  // Its last bin is not of now, and is not called so.
  await until("the day", async () => /^Power, [-\d: ]+: Forward power 50\.0 W \(45\.0 to 57\.0\)/.test((await power(page)) ?? ""));
  await page.locator(".charts").focus();
  await until("hours ago, with its smallest and largest", async () => {
    await page.keyboard.press("PageUp");
    return /^Power, \d h .*ago: Forward power 50\.0 W \(45\.0 to 57\.0\)/.test((await power(page)) ?? "");
  });
  await choose(page, "5 min");
  await until("now again", async () => /^Power, now: Forward power 104 W/.test((await power(page)) ?? ""));
  expect(complaints).toEqual([]);
  await page.context().close();
  await one.leave(broker.port);
});
