// WCAG 2.2 AA by axe-core, in every theme, from a telephone to a wide screen; no scrolling sideways.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { openBrowser, openDesk, openPage, pictures, root } from "./support.mjs";

const axe = readFileSync(join(root, "tests/desk/node_modules/axe-core/axe.min.js"), "utf8");
const RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
const VIEWS = ["#/night/3", "#/season", "#/frames/3", "#/publish/3"];

let desk, browser;

before(async () => {
  desk = await openDesk();
  browser = await openBrowser();
});

after(async () => {
  await browser?.close();
  desk?.close();
});

for (const theme of ["light", "dark", "red"]) {
  for (const width of [360, 1280]) {
    test(`${theme}, ${width} px`, async () => {
      const { page, wrong, context } = await openPage(browser, desk.address, { theme, width, bypassCSP: true });
      for (const hash of VIEWS) {
        await page.goto(`${desk.address}${hash}`);
        await page.waitForLoadState("networkidle");
        for (const drawer of await page.$$("details:not([open]) > summary")) await drawer.click();
        await page.waitForTimeout(300);
        await page.evaluate(axe);
        const found = await page.evaluate((rules) => globalThis.axe.run(document, { runOnly: rules }), RULES);
        const told = found.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(" | ")}`);
        assert.deepEqual(told, [], hash);
        const sideways = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
        assert.ok(sideways <= 0, `${hash} is ${sideways} px too wide`);
        await page.screenshot({ path: join(pictures, `${hash.split("/")[1]}-${theme}-${width}.png`), fullPage: width === 1280 });
      }
      assert.deepEqual(wrong, []);
      await context.close();
    });
  }
}
