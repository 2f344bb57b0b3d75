// Random clicking, sliding and typing, seeded: no error in the console, no panic, no lost measurement. Short here; as long as
// `DESK_RANDOM_S` says (600 for the ten minutes of benches/records/desk.md).

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { openBrowser, openDesk, openPage } from "./support.mjs";

const SECONDS = Number(process.env.DESK_RANDOM_S ?? 20);
const SEED = Number(process.env.DESK_RANDOM_SEED ?? 7);
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
  let actions = 0;
  for (const end = Date.now() + 1000 * SECONDS; Date.now() < end; actions += 1) {
    const what = random();
    try {
      if (what < 0.35) await page.mouse.click(...at());
      else if (what < 0.5) {
        await page.mouse.move(...at());
        await page.mouse.down();
        await page.mouse.move(...at(), { steps: 4 });
        await page.mouse.up();
      } else if (what < 0.6) await page.mouse.wheel(0, (random() - 0.5) * 800);
      else if (what < 0.8) await page.keyboard.press(any(KEYS));
      else if (what < 0.87) {
        const choice = any(await page.$$("select:visible"));
        const options = (await choice?.$$eval("option", (all) => all.map((o) => o.value))) ?? [];
        if (options.length > 0) await choice.selectOption(any(options), { timeout: 500 });
      } else if (what < 0.92) await any(await page.$$("input:not([type=range]):not([type=checkbox]):visible, textarea:visible"))?.fill(any(TEXTS), { timeout: 400 });
      else await any(await page.$$("input[type=range]:visible, button:visible, summary:visible, input[type=checkbox]:visible"))?.click({ timeout: 400 });
    } catch (error) {
      // what was to be clicked has gone, or takes no such text: only the page's own complaints count, and that it is there
      if (page.isClosed()) throw error;
    }
    if (await page.$("dialog[open]")) await page.keyboard.press("Escape");
    if (!page.url().startsWith(desk.address)) await page.goto(`${desk.address}#/night/3`);
  }
  t.diagnostic(`${actions} actions`);
  assert.deepEqual([...new Set(wrong)], []);
  assert.doesNotMatch(desk.said(), /panicked/);
  const rows = await desk.json("api/nights/3/measurements");
  assert.ok(rows.some((r) => r.person === "B. Tester" && r.pa_deg === 300), "the measurement is gone");
});
