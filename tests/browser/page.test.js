// What a person sees and does on the page: with the script and without, on a phone and on a desk, light and dark.
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdirSync, readFileSync } from "node:fs";
import { join, dirname } from "node:path";
import { fileURLToPath } from "node:url";
import { after, before, test } from "node:test";
import { browser } from "./chromium.js";
import { broker, clock, daemon, end, plugs, secret, until, PATIENCE_MS, PLACE } from "./house.js";

const modules = join(dirname(fileURLToPath(import.meta.url)), "node_modules");
const AXE = readFileSync(join(modules, "axe-core/axe.min.js"), "utf8");
const TOKEN = "a-token-for-the-browser-tests-alone";
const HOUSE = `${PLACE}[clock]
trust = "always"
`;

let chromium, port, said, house, guarded;

before(async () => {
  port = await broker();
  said = await plugs(port);
  const off = clock(180);
  house = await daemon("open", `${HOUSE}
[web]
listen = "127.0.0.1:{port}"
[broker]
address = "mqtt://127.0.0.1:${port}"
[times]
bedtime = "22:45"
[channel.jetty]
label = "Jetty lamp"
plug = "yard/3"
lit = [{ from = "sunset", until = "sunrise" }]
[channel.parlour]
label = "Parlour"
plug = "house/parlour"
lit = [{ from = "${clock(120)}", until = "${off}" }]
[channel.path]
label = "Path to the boathouse"
plugs = ["yard/5", "yard/6"]
lit = [{ from = "dusk", until = "bedtime" }]
`);
  house.off = off;
  chromium = await browser();
});

after(async () => {
  await chromium?.close();
  await end();
});

/** A page of a fresh browser, which remembers every request and complaint. */
async function open(url, { width = 360, colorScheme = "light", script = true } = {}) {
  const context = await chromium.newContext({
    viewport: { width, height: 780 }, colorScheme, javaScriptEnabled: script, reducedMotion: "reduce",
  });
  const page = await context.newPage();
  page.setDefaultTimeout(PATIENCE_MS);
  Object.assign(page, { complaints: [], script, colorScheme });
  page.on("console", (message) => page.complaints.push(message.text()));
  page.on("pageerror", (error) => page.complaints.push(error.message));
  page.on("request", (request) => {
    if (new URL(request.url()).hostname !== "127.0.0.1") page.complaints.push(`asks ${request.url()}`);
  });
  await page.goto(url);
  return page;
}

/**
 * What axe-core finds wrong, and what a finger would find too small or too wide. It needs scripts itself: a page without
 * is looked at through a twin, which has the same address and cookies, and everything but the page's own script.
 */
async function check(page, where) {
  if (!page.script) {
    const options = { viewport: page.viewportSize(), colorScheme: page.colorScheme, storageState: await page.context().storageState() };
    const context = await chromium.newContext(options);
    const twin = Object.assign(await context.newPage(), { script: true });
    await twin.route("**/page.js*", (route) => route.fulfill({ body: "" }));
    await twin.goto(page.url());
    for (const summary of await twin.locator("summary").all()) await summary.click();
    await check(twin, where);
    return context.close();
  }
  await page.evaluate(AXE);
  const found = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations"] }));
  const violations = found.violations.map(({ id, nodes }) => `${id}: ${nodes.map(({ html }) => html).join(" ")}`);
  assert.deepEqual(violations, [], where);
  const misfits = await page.evaluate(() => {
    const targets = [...document.querySelectorAll("button, select, input, summary, p > a")];
    const shown = targets.filter((one) => one.checkVisibility() && !one.classList.contains("away") && one.type !== "hidden");
    const small = shown.filter((one) => one.getBoundingClientRect().height < 44).map((one) => one.outerHTML);
    const wide = document.documentElement.scrollWidth > document.documentElement.clientWidth;
    return [...small, ...(wide ? ["the page is wider than the window"] : [])];
  });
  assert.deepEqual(misfits, [], where);
}

async function shoot(page, name) {
  if (!process.env.SHOTS) return;
  mkdirSync(process.env.SHOTS, { recursive: true });
  await page.screenshot({ path: join(process.env.SHOTS, `${name}.png`), fullPage: true });
}

const lamp = (page, name) => page.locator(`#lamp-${name}`);
const states = async (page, name) => (await lamp(page, name).locator(".state").textContent()).trim();

/** With a script it comes by itself; without, a person loads the page again. */
async function becomes(page, script, what, look) {
  await until(what, async () => {
    if (!script) await page.goto(page.url().split("#")[0]);
    return look();
  });
}

for (const script of [true, false]) {
  for (const width of [360, 1280]) {
    for (const colorScheme of ["light", "dark"]) {
      const where = `${width} px, ${colorScheme}, ${script ? "with" : "without"} the script`;
      test(`a lamp is forced on for the evening and cancelled: ${where}`, async () => {
        const page = await open(house.page, { width, colorScheme, script });
        const labels = await page.locator(".lamp h2").allTextContents();
        assert.deepEqual(labels, ["Jetty lamp", "Parlour", "Path to the boathouse"]);
        const parlour = lamp(page, "parlour");
        await becomes(page, script, "the plug says off", async () => (await states(page, "parlour")) === "off");
        if (script) await page.evaluate(() => { globalThis.same = true; });

        await parlour.getByRole("button", { name: `On until ${house.off}, the planned switch-off` }).click();
        await parlour.getByText(`Done: on until ${house.off}, the planned switch-off.`).waitFor();
        await becomes(page, script, "the plug confirms it", async () => {
          return (await states(page, "parlour")) === "on" && (await parlour.getByText("confirmed it").count()) === 1;
        });
        assert.equal(said.get("house/parlour"), "on", "the plug itself was told");
        await parlour.getByText(`Your word stands: on until ${house.off}, the planned switch-off.`).waitFor();
        if (script) assert.equal(await page.evaluate(() => globalThis.same), true, "no new page was loaded");
        await check(page, `overridden, ${where}`);
        await shoot(page, `overridden-${width}-${colorScheme}-${script ? "script" : "plain"}`);

        await parlour.getByRole("button", { name: "Cancel: back to the plan, off now" }).click();
        await parlour.getByText("Cancelled: it goes by the plan again.").waitFor();
        await becomes(page, script, "the plug confirms that too", async () => (await states(page, "parlour")) === "off");
        assert.equal(said.get("house/parlour"), "off");
        for (const summary of await page.locator("summary").all()) await summary.click();
        await page.locator("#year img").scrollIntoViewIfNeeded();
        await check(page, `everything opened, ${where}`);
        await shoot(page, `opened-${width}-${colorScheme}-${script ? "script" : "plain"}`);
        assert.deepEqual(page.complaints, []);
        await page.context().close();
      });
    }
  }
}

test("a change made elsewhere is seen without a new page, and what is being typed stays", async () => {
  const page = await open(house.page);
  const path = lamp(page, "path");
  await path.locator("summary").click();
  await path.getByLabel(/^Until/).fill("23:3");
  const order = { method: "PUT", headers: { "content-type": "application/json" } };
  const put = (wanted) => fetch(`${house.page}channels/path/override`, { ...order, body: JSON.stringify({ wanted, until: "1 h" }) });
  for (const wanted of ["on", "off"]) {
    assert.equal((await put(wanted)).status, 200);
    await until(`the page says ${wanted}`, async () => (await states(page, "path")) === wanted);
    await path.getByText(`Your word stands: ${wanted} for 1 h.`).waitFor();
  }
  assert.equal(await page.locator("#told").textContent(), "Path to the boathouse: off", "said to a screen reader");
  assert.equal(await path.getByLabel(/^Until/).inputValue(), "23:3");
  await fetch(`${house.page}override?channel=path`, { method: "DELETE" });
  await page.context().close();
});

test("by keyboard alone: the focus is seen, and stays where it was", async () => {
  const page = await open(house.page);
  const button = lamp(page, "parlour").getByRole("button", { name: "On until", exact: false }).first();
  await button.focus();
  await page.keyboard.press("Tab");
  await page.keyboard.press("Shift+Tab");
  const outline = await button.evaluate((one) => getComputedStyle(one).outlineWidth);
  assert.equal(outline, "3px");
  await page.keyboard.press("Enter");
  await lamp(page, "parlour").getByText("Your word stands").waitFor();
  assert.match(await page.evaluate(() => document.activeElement.textContent), /^On until/);
  await page.keyboard.press("Tab");
  await page.keyboard.press("Tab");
  assert.match(await page.evaluate(() => document.activeElement.textContent), /^Cancel/);
  await page.keyboard.press("Enter");
  await lamp(page, "parlour").getByText("Cancelled: it goes by the plan again.").waitFor();
  assert.match(await page.evaluate(() => document.activeElement.textContent), /^On until/, "the focus is not lost");
  await page.context().close();
});

test("a lamp is blinked, and its plugs say what they answered", async () => {
  const page = await open(house.page);
  const path = lamp(page, "path");
  await path.locator("summary").click();
  await path.getByRole("button", { name: "Blink it" }).click();
  await path.getByRole("button", { name: "It blinks now." }).waitFor();
  await path.getByText("Tried. Plug yard/5 answered all 5 commands", { exact: false }).waitFor();
  await path.getByRole("button", { name: "Blink it" }).waitFor();
  assert.match(await path.locator(".said").textContent(), /Plug yard\/6 answered all 5 commands/);
  assert.deepEqual(page.complaints, []);
  await page.context().close();
});

test("a moment that is none is refused in words, with the script and without", async () => {
  for (const script of [true, false]) {
    const page = await open(house.page, { script });
    const jetty = lamp(page, "jetty");
    await jetty.locator("summary").click();
    await jetty.getByLabel(/^Until/).fill("noonish");
    await jetty.getByRole("button", { name: "On until then" }).click();
    await jetty.getByText("Not done: ", { exact: false }).waitFor();
    assert.match(await jetty.locator(".said").textContent(), /noonish.*Nothing was changed\.$/);
    await check(page, "refused");
    assert.deepEqual(page.complaints, []);
    await page.context().close();
  }
});

const HIDDEN = (rest) => `${HOUSE}
[web]
listen = "127.0.0.1:{port}"
token_file = "${secret("token", TOKEN)}"
read = "token"
[broker]
address = "mqtt://127.0.0.1:${port}"
[channel.shed]
label = "Shed <&>"
plug = "silent/1"
lit = [{ from = "${clock(-30)}", until = "${clock(120)}" }]
${rest}`;

test("with a token: signed out, wrong token, signed in, faults and misses, signed out again", async () => {
  const shed = await daemon("hidden", HIDDEN(""));
  // It was away for two hours, in which the lamp fell due.
  await shed.sleep(120);
  shed.write(HIDDEN("[chanel.attic]\nlabel = 3\n"));
  for (const script of [true, false]) {
    const page = await open(shed.page, { script });
    await page.getByRole("heading", { name: "Sign in" }).waitFor();
    assert.doesNotMatch(await page.content(), /Skarvholmen|Shed/);
    await check(page, "signed out");
    await page.getByLabel("Token").fill("not-the-token-at-all");
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByText("That is not the token.").waitFor();
    await check(page, "wrong token");
    if (script) await shoot(page, "sign-in-360-light");
    await page.getByLabel("Token").fill(TOKEN);
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByRole("heading", { name: "Shed <&>" }).waitFor();
    await becomes(page, script, "the fault is shown", async () => (await page.getByText("Faults of the file").count()) === 1);
    await page.getByText("Shed <&> should have gone on; lampward not running").waitFor();
    await page.getByRole("button", { name: "Everything off for the evening" }).click();
    await page.getByText("Your word stands: off until").waitFor();
    await check(page, "faults and misses");
    if (script) await shoot(page, "faults-360-light");
    await page.getByRole("button", { name: "Cancel all: back to the plan" }).click();
    await page.locator("#house").getByText("Cancelled: all lamps go by the plan again.").waitFor();
    const cookies = await page.context().cookies();
    assert.deepEqual(cookies.map(({ name, httpOnly, sameSite }) => [name, httpOnly, sameSite]), [["lampward", true, "Strict"]]);
    const complaints = page.complaints.filter((text) => !text.includes("401 (Unauthorized)"));
    await page.getByRole("button", { name: "Sign out" }).click();
    await page.getByRole("heading", { name: "Sign in" }).waitFor();
    assert.deepEqual(complaints, []);
    await page.context().close();
  }
  guarded = shed;
});

test("the Nu HTML checker finds no fault in any state of the page", async () => {
  const form = (cookie) => ({ method: "POST", redirect: "manual", headers: { "sec-fetch-site": "same-origin", ...cookie } });
  const text = async (url, init) => (await fetch(url, init)).text();
  const signedIn = await fetch(`${guarded.page}page/sign-in`, { ...form(), body: new URLSearchParams({ token: TOKEN }) });
  const cookie = { cookie: signedIn.headers.get("set-cookie").split(";")[0] };
  const set = await fetch(`${house.page}page/override`, { ...form(), body: new URLSearchParams({ channel: "parlour", wanted: "on" }) });
  const states = {
    "signed-out": await text(guarded.page),
    "wrong-token": await text(`${guarded.page}page/sign-in`, { ...form(), body: new URLSearchParams({ token: "wrong" }) }),
    "faults-and-misses": await text(guarded.page, { headers: cookie }),
    overridden: await text(new URL(set.headers.get("location"), house.page)),
  };
  await fetch(`${house.page}page/cancel`, { ...form(), body: new URLSearchParams({ channel: "parlour" }) });
  assert.match(states["faults-and-misses"], /Faults of the file[^]*should have gone on/);
  assert.match(states.overridden, /Your word stands/);
  const files = Object.entries(states).map(([name, html]) => secret(`${name}.html`, html));
  const jar = join(modules, "vnu-jar/build/dist/vnu.jar");
  execFileSync("java", ["-Xss1m", "-jar", jar, "--errors-only", ...files], { stdio: ["ignore", "inherit", "inherit"] });
});

test("when Lampward stops, the page says that it is old, and nothing else is lost", async () => {
  const other = await daemon("stopping", `${HOUSE}
[web]
listen = "127.0.0.1:{port}"
[broker]
address = "mqtt://127.0.0.1:${port}"
[channel.quay]
label = "Quay"
plug = "yard/7"
lit = [{ from = "${clock(-30)}", until = "${clock(120)}" }]
`);
  const page = await open(other.page);
  await until("the plug says on", async () => (await states(page, "quay")) === "on");
  const again = await other.stop();
  await page.getByText("Lampward is out of reach. This is how things stood on", { exact: false }).waitFor();
  assert.equal(await states(page, "quay"), "on");
  await again();
  await until("the notice goes", async () => !(await page.locator("#stale").isVisible()));
  await page.context().close();
});
