// Milliseconds from the navigation to the page's first contentful paint, by the browser's own mark, once per load.
// Usage: first_paint.mjs ADDRESS TIMES         prints a JSON array
import { createRequire } from "node:module";

const { chromium } = createRequire(new URL("../dashboard/package.json", import.meta.url))("playwright-core");
const [address, times] = process.argv.slice(2);
const browser = await chromium.launch({ executablePath: "/usr/bin/chromium", args: ["--no-sandbox"] });
const paints = [];
for (let i = 0; i < Number(times); ++i) {
  const page = await browser.newPage();
  await page.goto(address);
  const paint = () => performance.getEntriesByName("first-contentful-paint")[0]?.startTime;
  paints.push(await (await page.waitForFunction(paint, undefined, { timeout: 10000 })).jsonValue());
  await page.close();
}
await browser.close();
console.log(JSON.stringify(paints));
