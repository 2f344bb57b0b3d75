// What the browser's tab holds after each of the page's actions done many times: a table to find what grows. Not a test.
//
//     node tests/desk/memory.mjs [TIMES] [ACTION...]

import { join } from "node:path";
import { openBrowser, openDesk, openPage, renderers, root } from "./support.mjs";

const times = Number(process.argv[2] ?? 30);
const only = process.argv.slice(3);
const desk = await openDesk(["--season", join(root, "target/desk-demo/season")]);
const browser = await openBrowser();
const { page } = await openPage(browser, desk.address, { hash: "#/night/3" });
const inside = await page.context().newCDPSession(page);
await page.waitForLoadState("networkidle");

const filter = () => page.getByRole("combobox", { name: "Filter", exact: true });
const night = async () => { await page.goto(`${desk.address}#/night/3`); await page.locator("section.tools").waitFor(); };
const view = (hash, what) => async () => { await page.goto(`${desk.address}#/${hash}`); await page.locator(what).first().waitFor(); await page.waitForTimeout(250); };
/** Each with what comes before it. @type {Record<string, {start?: () => Promise<unknown>, run: (i: number) => Promise<unknown>}>} */
const actions = {
  nights: { run: async (i) => view(`night/${1 + (i % 3)}`, "section.tools")() },
  filters: { start: night, run: async (i) => {
    const all = await filter().locator("option").evaluateAll((o) => o.map((x) => x.value));
    await filter().selectOption(all[i % all.length]);
    await page.waitForTimeout(150);
  } },
  slider: { start: async () => { await night(); await filter().selectOption("unsharp-ratio"); await page.locator("section.tools input[type=range]").first().focus(); }, run: async (i) => {
    await page.keyboard.press(i % 40 < 20 ? "ArrowRight" : "ArrowLeft");
    await page.waitForTimeout(100);
  } },
  zoom: { start: async () => { await night(); const box = await page.locator(".lines").first().boundingBox(); await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2); }, run: async (i) => {
    await page.mouse.wheel(0, i % 20 < 10 ? -120 : 120);
    await page.waitForTimeout(60);
  } },
  filtered_zoom: { start: async () => { await night(); await filter().selectOption("laplacian"); const box = await page.locator(".lines").first().boundingBox(); await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2); }, run: async (i) => {
    await page.mouse.wheel(0, i % 20 < 10 ? -120 : 120);
    await page.waitForTimeout(150);
  } },
  cursor: { start: night, run: async (i) => {
    const box = await page.locator(".lines").first().boundingBox();
    await page.mouse.move(box.x + box.width * (0.2 + 0.6 * ((i * 37) % 100) / 100), box.y + box.height * (0.2 + 0.6 * ((i * 53) % 100) / 100), { steps: 5 });
  } },
  blink: { start: async () => { await night(); await page.keyboard.press("b"); }, run: () => page.waitForTimeout(350) },
  isophotes: { start: night, run: async () => { await page.getByRole("checkbox", { name: "Isophotes" }).click(); await page.waitForTimeout(150); } },
  stretch: { start: async () => { await night(); await page.locator(".stretch .high").focus(); }, run: async (i) => { await page.keyboard.press(i % 20 < 10 ? "ArrowLeft" : "ArrowRight"); await page.waitForTimeout(60); } },
  sector: { start: async () => { await night(); await page.getByRole("checkbox", { name: "A sector on the sky" }).click(); }, run: async (i) => {
    await page.getByRole("spinbutton", { name: /^PA/ }).fill(String((i * 17) % 360));
    await page.keyboard.press("Enter");
    await page.waitForTimeout(250);
  } },
  features: { start: night, run: async (i) => { const all = page.locator("button.feature"); await all.nth(i % await all.count()).click(); await page.waitForTimeout(60); } },
  season: { run: async (i) => (i % 2 ? view("season", ".season-body section") : view("frames/3", ".frame-strips"))() },
  frames: { run: async (i) => view(`frames/${1 + (i % 3)}`, ".frame-strips")() },
  publish: { run: async (i) => view(`publish/${1 + (i % 3)}`, ".publish")() },
  panels: { start: view("publish/3", ".publish"), run: async (i) => { const all = page.locator(".panel-cards input:enabled"); await all.nth((i * 7) % await all.count()).click(); await page.waitForTimeout(500); } },
  theme: { start: night, run: async (i) => { await page.locator("#theme").selectOption(["light", "dark", "red"][i % 3]); await page.waitForTimeout(100); } },
  size: { start: night, run: async (i) => { await page.setViewportSize({ width: 1100 + ((i * 97) % 300), height: 800 + ((i * 31) % 100) }); await page.waitForTimeout(100); } },
};

async function held() {
  await inside.send("HeapProfiler.collectGarbage");
  await page.waitForTimeout(1500);
  const { documents, nodes, jsEventListeners } = await inside.send("Memory.getDOMCounters");
  const script = await page.evaluate(() => Math.round(performance.memory.usedJSHeapSize / 2 ** 20));
  const all = renderers();
  return [`${Math.round(Math.max(...all.map((r) => r.rss_mib)))}`, `${Math.round(renderers("gpu-process").reduce((s, r) => s + r.rss_mib, 0))}`, script, documents, nodes, jsEventListeners];
}

console.log(`| after | renderer, MiB | graphics, MiB | script, MiB | documents | nodes | listeners |\n|---|---|---|---|---|---|---|`);
console.log(`| start | ${(await held()).join(" | ")} |`);
for (const [name, { start, run }] of Object.entries(actions)) {
  if (only.length && !only.includes(name)) continue;
  await start?.();
  console.log(`| ${name}: begin | ${(await held()).join(" | ")} |`);
  for (let i = 0; i < times; i += 1) await run(i);
  console.log(`| ${name} × ${times} | ${(await held()).join(" | ")} |`);
}
await browser.close();
desk.close();
