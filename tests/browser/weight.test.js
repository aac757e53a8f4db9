// What the page of the example house weighs, picture and all, and how soon a slow phone paints it. The weight is held
// to a limit; the time is printed, for it depends on the machine.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { after, before, test } from "node:test";
import { browser } from "./chromium.js";
import { broker, daemon, end, plugs } from "./house.js";

const MOST_BYTES = 60_000;

let chromium, house;

before(async () => {
  const port = await broker();
  await plugs(port);
  const example = readFileSync(new URL("../../config/lampward.toml", import.meta.url), "utf8");
  house = await daemon("example", `${example}
[broker]
address = "mqtt://127.0.0.1:${port}"
[web]
listen = "127.0.0.1:{port}"
[clock]
trust = "always"
`);
  chromium = await browser();
});

after(async () => {
  await chromium?.close();
  await end();
});

test("the whole page of the example house stays small", async () => {
  const page = await chromium.newPage({ viewport: { width: 360, height: 780 } });
  const weights = new Map();
  page.on("response", async (response) => {
    const path = new URL(response.url()).pathname;
    if (path !== "/live") weights.set(path, (await response.body()).length);
  });
  await page.goto(house.page);
  await page.locator("#year summary").click();
  await page.locator("#year img").scrollIntoViewIfNeeded();
  await page.waitForFunction(() => document.querySelector("#year img").complete);
  await page.close();
  const total = [...weights.values()].reduce((sum, bytes) => sum + bytes, 0);
  if (process.env.WEIGH) console.log("bytes", Object.fromEntries(weights), "together", total);
  assert.deepEqual([...weights.keys()].sort(), ["/", "/page.css", "/page.js", "/year.svg"]);
  assert.ok(total < MOST_BYTES, `${total} bytes`);
});

test("a slow phone paints it", async () => {
  const paints = [];
  for (let round = 0; round < 5; round += 1) {
    const page = await (await chromium.newContext({ viewport: { width: 360, height: 780 } })).newPage();
    const devtools = await page.context().newCDPSession(page);
    // 150 ms there and back, 1.6 Mbit/s down, 0.75 Mbit/s up, a quarter of this machine's speed.
    await devtools.send("Network.enable");
    await devtools.send("Network.emulateNetworkConditions", {
      offline: false, latency: 150, downloadThroughput: 1_600_000 / 8, uploadThroughput: 750_000 / 8,
    });
    await devtools.send("Emulation.setCPUThrottlingRate", { rate: 4 });
    await page.goto(house.page);
    const paint = await page.waitForFunction(() => performance.getEntriesByName("first-contentful-paint")[0]?.startTime);
    paints.push(Math.round(await paint.jsonValue()));
    await page.context().close();
  }
  if (process.env.WEIGH) console.log("first contentful paint, ms:", paints.sort((a, b) => a - b).join(" "));
  assert.equal(paints.length, 5);
});
