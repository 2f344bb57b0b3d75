// How fast the desk is: a table for benches/records/desk.md. Not a test.
//
//     node tests/desk/measure.mjs NIGHT_DIR...      # nights of several sizes: see enlarge.py
//
// Times are those of a browser without a graphics card.

import { readFileSync } from "node:fs";
import { openBrowser, openDesk, openPage } from "./support.mjs";

const quantile = (values, share) => [...values].sort((a, b) => a - b)[Math.min(values.length - 1, Math.floor(share * values.length))];
const round = (value) => (value === undefined ? "–" : value.toFixed(value < 10 ? 1 : 0));

const desk = await openDesk(process.argv.slice(2));
const browser = await openBrowser();
const campaign = await desk.json("api/campaign");
const nights = campaign.nights.filter((n) => n.id >= 1_000_000 || n.id === campaign.nights.at(-1).id);
console.log("| night | first picture, ms | pan: script per frame, ms (95 %) | zoom (95 %) | filter | slider to new pixels, ms (median, 95 %) |\n|---|---|---|---|---|---|");
for (const night of campaign.nights.filter((n) => n.has_stack)) {
  if (!nights.includes(night)) continue;
  const view = await desk.json(`api/nights/${night.id}/view`);
  const { page, context } = await openPage(browser, desk.address, { width: 1440, height: 1000, hash: `#/night/${night.id}` });
  await page.waitForFunction(() => globalThis.deskTimings.first_picture_ms > 0);
  const first = [await page.evaluate(() => globalThis.deskTimings.first_picture_ms)];
  for (let i = 0; i < 4; i += 1) {
    await page.reload();
    await page.waitForFunction(() => globalThis.deskTimings.first_picture_ms > 0);
    first.push(await page.evaluate(() => globalThis.deskTimings.first_picture_ms));
  }
  await page.waitForLoadState("networkidle");
  const box = await page.locator(".lines").first().boundingBox();
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  const frames = async (act) => {
    await page.evaluate(() => globalThis.deskTimings.clear());
    await act();
    return page.evaluate(() => globalThis.deskTimings.frames.slice());
  };
  await page.mouse.move(x, y);
  const zoom = await frames(async () => {
    for (let i = 0; i < 40; i += 1) {
      await page.mouse.wheel(0, i < 20 ? -60 : 60);
      await page.waitForTimeout(30);
    }
  });
  const pan = await frames(async () => {
    await page.mouse.down();
    for (let i = 0; i < 60; i += 1) {
      await page.mouse.move(x + Math.sin(i / 8) * box.width * 0.3, y + Math.cos(i / 8) * box.height * 0.3);
      await page.waitForTimeout(20);
    }
    await page.mouse.up();
  });
  const cells = [`${view.width_px}²`, round(quantile(first, 0.5)), round(quantile(pan, 0.95)), round(quantile(zoom, 0.95))];
  for (const method of ["rotational-gradient", "azimuthal-division", "laplacian", "unsharp-ratio", "ring-stretch"]) {
    await page.getByRole("combobox", { name: "Filter", exact: true }).selectOption(method);
    await page.waitForTimeout(1500);
    await page.evaluate(() => globalThis.deskTimings.clear());
    const slider = page.locator("section.tools input[type=range]").first();
    await slider.focus();
    for (let i = 0; i < 60; i += 1) {
      await page.keyboard.press(i % 30 < 15 ? "ArrowRight" : "ArrowLeft");
      await page.waitForTimeout(120);
    }
    const steps = await page.evaluate(() => globalThis.deskTimings.filters.slice());
    console.log(`| ${cells.join(" | ")} | ${method} | ${round(quantile(steps, 0.5))}, ${round(quantile(steps, 0.95))} |`);
    cells.fill("");
  }
  await context.close();
}
const status = readFileSync(`/proc/${desk.pid}/status`, "utf8");
console.log(`\nServer at most ${round(Number(/VmHWM:\s+(\d+)/.exec(status)[1]) / 1024)} MiB.`);
await browser.close();
desk.close();
