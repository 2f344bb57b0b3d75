// Random clicking, sliding and typing, seeded: no error in the console, no panic, no lost measurement. Short here; as long as
// `DESK_RANDOM_S` says (600 for the ten minutes of benches/records/desk.md).

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { openBrowser, openDesk, openPage, renderers } from "./support.mjs";

const SECONDS = Number(process.env.DESK_RANDOM_S ?? 20);
const SEED = Number(process.env.DESK_RANDOM_SEED ?? 7);
/** The tab holds no more in the end: views that are kept pass it within minutes. */
const MOST_MIB = 1000;
const KEYS = ["t", "b", "+", "-", "0", "ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Shift+ArrowLeft", "c", "Enter", "[", "]", "Tab", "Tab", "Escape",
  "Control+z", "Control+Shift+z", "PageUp", "Home", "End", "Space"];
const TEXTS = ["12.5", "-3", "1e9", "", "nought", "☄ <b>&\"", "0"];

let desk, browser;

before(async () => {
  desk = await openDesk();
  browser = await openBrowser();
});

after(async () => {
  await browser?.close();
  desk?.close();
});

test(`${SECONDS} s of anything, seed ${SEED}`, async (t) => {
  const size = { width: 1280, height: 900 };
  const { page, wrong } = await openPage(browser, desk.address, { ...size, hash: "#/night/3" });
  let state = SEED;
  // a linear congruential generator (Park & Miller 1988, Communications of the ACM 31, 1192)
  const random = () => (state = (state * 48271) % 2147483647) / 2147483647;
  const any = (list) => list[Math.floor(random() * list.length)];
  const at = () => [random() * size.width, random() * size.height];
  const kept = await fetch(`${desk.address}api/nights/3/measurements`, { method: "POST", headers: { "content-type": "application/json" },
    body: JSON.stringify({ person: "B. Tester", note: null, pa_deg: 300, width_deg: 30, inner_arcsec: 6, outer_arcsec: 30 }) });
  assert.equal(kept.status, 201);
  // a link or a picture that is dragged is the browser's own affair, and its mouse waits for a place to drop it
  await page.evaluate(() => addEventListener("dragstart", (event) => event.preventDefault(), true));
  page.on("crash", () => wrong.push("the page crashed"));
  // no handles: they would keep what the page has thrown away
  const one = async (selector) => {
    const found = page.locator(`${selector} >> visible=true`);
    const n = await found.count();
    return n > 0 ? found.nth(Math.floor(random() * n)) : null;
  };
  const soon = { timeout: 400 };
  const acts = {
    click: () => page.mouse.click(...at()),
    drag: async () => {
      await page.mouse.move(...at());
      await page.mouse.down();
      await page.mouse.move(...at(), { steps: 4 });
      await page.mouse.up();
    },
    wheel: () => page.mouse.wheel(0, (random() - 0.5) * 800),
    key: () => page.keyboard.press(any(KEYS)),
    choose: async () => {
      const choice = await one("select");
      const options = (await choice?.locator("option").evaluateAll((all) => all.map((o) => o.value))) ?? [];
      if (options.length > 0) await choice.selectOption(any(options), soon);
    },
    fill: async () => (await one("input:not([type=range]):not([type=checkbox]), textarea"))?.fill(any(TEXTS), soon),
    press: async () => (await one("input[type=range], button, summary, input[type=checkbox]"))?.click(soon),
  };
  const shares = [["click", 0.35], ["drag", 0.5], ["wheel", 0.6], ["key", 0.8], ["choose", 0.87], ["fill", 0.92], ["press", 1]];
  const within = (name, act) => Promise.race([act, new Promise((_, no) => { setTimeout(() => no(new Error(`the page is stuck: ${name}`)), 30_000).unref(); })]);
  let actions = 0;
  // of the process that holds the page, ten times
  const held = [];
  const start = Date.now();
  for (const end = start + 1000 * SECONDS; Date.now() < end; actions += 1) {
    if (Date.now() - start > (held.length + 1) * 100 * SECONDS) held.push(Math.round(Math.max(...renderers().map((r) => r.rss_mib))));
    const draw = random();
    const [name] = shares.find(([, to]) => draw < to) ?? shares[0];
    try {
      await within(name, acts[name]());
    } catch (error) {
      // what was to be clicked has gone, or takes no such text: only the page's own complaints count, and that it is there
      if (page.isClosed()) throw error;
      if (/is stuck/.test(String(error))) {
        const runs = await Promise.race([page.evaluate(() => "its scripts run"), new Promise((done) => { setTimeout(() => done("its scripts do not run"), 5000).unref(); })]);
        throw new Error(`${error.message}; ${runs}`);
      }
    }
    await within("closing a dialog", page.evaluate(() => document.querySelector("dialog[open]")?.close()));
    if (!page.url().startsWith(desk.address)) await page.goto(`${desk.address}#/night/3`);
  }
  t.diagnostic(`${actions} actions, ${Math.round((await page.evaluate(() => performance.memory?.usedJSHeapSize ?? 0)) / 2 ** 20)} MiB of script`);
  // up to 200 of them are the answers that the driver has the browser keep
  t.diagnostic(`the browser's tab held ${held.join(", ")} MiB`);
  assert.ok(held.length === 0 || held.at(-1) < MOST_MIB, `${held}`);
  assert.deepEqual([...new Set(wrong)], []);
  assert.doesNotMatch(desk.said(), /panicked/);
  const rows = await desk.json("api/nights/3/measurements");
  assert.ok(rows.some((r) => r.person === "B. Tester" && r.pa_deg === 300), "the measurement is gone");
});
