// Pictures of the page, to be looked at: narrow and wide, light and dark, as it should be and tripped.
import type { Browser } from "playwright-core";
import { afterAll, beforeAll, expect, test } from "vitest";

import { Broker, openBrowser, openPage, picture, until } from "../stage";
import { StandIn } from "../stand_in";

let browser: Browser;
const broker = new Broker();
let amplifier: StandIn;

beforeAll(async () => {
  await broker.start();
  browser = await openBrowser();
  amplifier = await StandIn.start(broker.port);
  amplifier.run();
});

afterAll(async () => {
  await amplifier?.stop();
  await browser?.close();
  await broker.end();
});

/// Long enough for curves that can be seen.
async function someSeconds(watts: () => number): Promise<void> {
  for (let i = 0; i < 12; ++i) {
    amplifier.quantities["forward"]!.value = watts();
    amplifier.quantities["heatsink"]!.value = 48.3 + i * 0.2;
    await new Promise((resolve) => setTimeout(resolve, 1010));
  }
}

test("normal and tripped, 390 and 1440 px, light and dark", async () => {
  const sizes = [{ width: 390, height: 844 }, { width: 1440, height: 1000 }];
  const views = await Promise.all(sizes.flatMap((size) => [false, true].map(async (dark) =>
    ({ name: `${size.width}-${dark ? "dark" : "light"}`, ...(await openPage(browser, broker, { ...size, dark })) }))));
  await amplifier.event("RF on", "RF on: forward 104 W.");
  await someSeconds(() => 100 + Math.random() * 8);
  for (const view of views) {
    await until("permitted", async () => (await view.page.textContent("#word")) === "Permitted");
    await picture(view.page, `${view.name}-normal`);
  }
  await amplifier.event("RF off", "RF off after 4 min 12 s.");
  await amplifier.overheat();
  await amplifier.capture();
  await new Promise((resolve) => setTimeout(resolve, 3000));
  for (const view of views) {
    await until("tripped", async () => (await view.page.textContent("#word")) === "Tripped");
    await picture(view.page, `${view.name}-tripped`);
    await view.page.getByRole("button", { name: /^Seconds around it/ }).click();
    await picture(view.page, `${view.name}-capture`);
    await view.page.keyboard.press("Escape");
    for (const part of await view.page.locator("summary").all()) await part.click();
    await picture(view.page, `${view.name}-details`);
    // Nothing sticks out sideways.
    expect(await view.page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0);
    expect(view.complaints).toEqual([]);
  }
}, 180000);
