// The season, the frames of a night and what is published, as a person goes through them.

import assert from "node:assert/strict";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { downloaded, openBrowser, openDesk, openPage, pictures } from "./support.mjs";

const RUN = { timeout: 300_000 };

let desk, browser, page, wrong;

before(async () => {
  desk = await openDesk();
  browser = await openBrowser();
  ({ page, wrong } = await openPage(browser, desk.address, { height: 1000, hash: "#/season" }));
});

after(async () => {
  await browser?.close();
  desk?.close();
});

const main = () => page.locator("main");
const jobIs = (state) => page.waitForFunction((s) => document.querySelector(".job")?.dataset.state === s, state, RUN);

test("a season is begun, cancelled, and made with an enhancement", async () => {
  await page.waitForSelector(".season-view h2");
  await main().getByRole("button", { name: "None", exact: true }).click();
  assert.ok(await main().locator("button.main").first().isDisabled());
  await main().getByRole("button", { name: "All", exact: true }).click();
  await main().getByRole("checkbox", { name: "Rotational gradient" }).check();
  await main().getByRole("button", { name: /Make the season/ }).click();
  await jobIs("running");
  await main().getByRole("button", { name: "Cancel" }).click();
  await jobIs("cancelled");
  await main().getByRole("button", { name: /Make the season/ }).click();
  await jobIs("running");
  await jobIs("done");
  const season = await desk.json("api/season");
  assert.ok(season.is_there && !season.is_stale);
  assert.ok(season.figures.some((f) => f.name === "montage-rotational-gradient"));
  assert.equal(season.record.nights.length, 3);
});

test("its plots come with values, and as SVG, PNG and CSV", async () => {
  await page.waitForSelector(".season-body figure");
  for (const drawer of await main().locator(".season-body details > summary").all()) await drawer.click();
  for (const kind of ["SVG", "PNG"]) {
    const { name, bytes } = await downloaded(page, () => main().getByRole("link", { name: `Save as ${kind}: Directions of the features` }).first().click());
    assert.ok(name.endsWith(kind.toLowerCase()) && bytes.length > 1000, name);
  }
  const { bytes } = await downloaded(page, () => main().getByRole("button", { name: "Save as CSV: Light curve" }).first().click());
  const lines = bytes.toString().trim().split("\n");
  assert.match(lines[0], /utc/i);
  const record = (await desk.json("api/season")).record;
  // once for each night and aperture
  assert.deepEqual([...new Set(lines.slice(1).map((line) => line.split(",")[0]))].sort(), record.nights.map((n) => n.mid_utc));
  await main().locator(".season-body details tbody tr[tabindex=\"0\"]").first().focus();
  await page.keyboard.press("ArrowDown");
  await page.screenshot({ path: join(pictures, "season.png"), fullPage: true });
});

test("a frame is left out by the keyboard, and the night measured again while the page is away", async () => {
  await page.goto(`${desk.address}#/frames/3`);
  await page.waitForSelector(".frame-strips");
  const before = await desk.json("api/nights/3/record");
  const posted = page.waitForRequest((r) => r.method() === "POST" && r.url().endsWith("/api/jobs"));
  await page.locator(".table-window tbody tr").first().focus();
  await page.keyboard.press("ArrowDown");
  await page.keyboard.press("Space");
  await page.locator("main button.main").focus();
  await page.keyboard.press("Enter");
  assert.deepEqual(JSON.parse((await posted).postData()), { kind: "night", night: 3, leave_out: [before.frames[1].file] });
  await page.waitForSelector(".job:not([hidden]) progress");
  await page.goto("about:blank");
  await page.goto(`${desk.address}#/frames/3`);
  await jobIs("done");
  const now = await desk.json("api/nights/3/record");
  assert.equal(now.stack.n_frames, before.stack.n_frames - 1);
  assert.equal(now.frames[1].used, false);
  await page.getByText("left out by hand, not measured").first().waitFor();
  assert.ok((await desk.json("api/season")).is_stale);
  await page.screenshot({ path: join(pictures, "frames.png"), fullPage: true });
});

test("the plots of the frames have one cursor, a ring where a frame is to be left out, and files of their own", async () => {
  const { frames } = await desk.json("api/nights/3/record");
  const plots = page.locator(".frame-strips .night-plot");
  await page.waitForFunction(() => [...document.querySelectorAll(".frame-strips .night-plot")].every((e) => e.querySelector("svg")));
  const n = await plots.count();
  assert.ok(n >= 7, `${n}`);
  await plots.first().focus();
  await page.keyboard.press("Home");
  for (let i = 0; i < 4; i += 1) await page.keyboard.press("ArrowRight");
  const places = await plots.evaluateAll((all) => all.map((e) => ({
    line: Number(/M([\d.]+)/.exec(e.querySelector("[data-cursor]").getAttribute("d"))?.[1]),
    discs: [...e.querySelectorAll("circle")].map((c) => Number(c.getAttribute("cx"))),
  })));
  // the second frame has a square; the fifth is the fourth disc
  for (const { line, discs } of places) assert.ok(Math.abs(line - discs[3]) < 0.02, `${line}, not ${discs[3]}`);
  assert.ok((await page.locator(".strip-value").first().innerText()).startsWith(frames[4].fwhm_arcsec.toFixed(2)));
  const rings = page.locator(".frame-strips .frame-mark.changed");
  await page.keyboard.press("Space");
  assert.equal(await rings.count(), n);
  await page.keyboard.press("Space");
  assert.equal(await rings.count(), 0);
  const title = "Zero point over the night";
  for (const kind of ["SVG", "PNG"]) {
    const { name, bytes } = await downloaded(page, () => main().getByRole("link", { name: `Save as ${kind}: ${title}` }).click());
    assert.ok(name === `frames-2031-03-24-zero-point-mag.${kind.toLowerCase()}` && bytes.length > 1000, name);
  }
  const { bytes } = await downloaded(page, () => main().getByRole("button", { name: `Save as CSV: ${title}` }).click());
  const [comment, header, ...lines] = bytes.toString().trim().split("\n");
  assert.match(comment, /^# C\/2031 Z2, night of 24 March 2031/);
  assert.equal(header, "file,mid_utc,zero_point_mag,zero_point_mag_err,used,rejected_because");
  assert.equal(lines.length, frames.length);
});

test("all frames are saved as CSV", async () => {
  const { bytes } = await downloaded(page, () => main().getByRole("button", { name: "Save as CSV: all frames" }).click());
  assert.equal(bytes.toString().trim().split("\n").length, 31);
});

test("what is published is what is seen", async () => {
  await page.goto(`${desk.address}#/publish/3`);
  await page.waitForSelector(".publish-result img[src]");
  await main().getByRole("checkbox", { name: "Rotational gradient" }).focus();
  await page.keyboard.press("Space");
  await main().getByLabel("Title", { exact: true }).fill("A title");
  await main().getByLabel("Text", { exact: true }).fill("My own words.");
  assert.match(await page.innerText("main"), /not checked/);
  await main().getByLabel(/Width/).fill("900");
  await page.waitForFunction(() => /As it will be/.test(document.querySelector(".publish-made p[role=status]")?.textContent ?? ""));
  const png = await downloaded(page, () => main().getByRole("button", { name: "Save PNG", exact: true }).click());
  assert.equal(png.bytes.readUInt32BE(16), 900);
  const svg = (await downloaded(page, () => main().getByRole("button", { name: "Save SVG", exact: true }).click())).bytes.toString();
  assert.ok(svg.includes("A title") && svg.includes("My own words.") && svg.includes("Simulated frames."));
  await page.screenshot({ path: join(pictures, "publish.png"), fullPage: true });
  for (const name of ["The night's page", "Save GIF"]) assert.ok((await downloaded(page, () => main().getByRole("link", { name }).click())).bytes.length > 10_000);
});

test("a report of simulated places is refused in words", async () => {
  await main().getByRole("button", { name: "Look at the report" }).click();
  await main().locator(".trouble").waitFor();
  assert.match(await main().locator(".trouble").innerText(), /simulated/);
});

test("views that were left are let go", async () => {
  const inside = await page.context().newCDPSession(page);
  const round = async (times) => {
    for (let i = 0; i < times; i += 1) {
      for (const [hash, what] of [["night/3", "section.tools"], ["frames/3", ".frame-strips"], ["season", ".season-body section"], ["publish/3", ".publish"]]) {
        await page.goto(`${desk.address}#/${hash}`);
        await page.locator(what).first().waitFor();
      }
    }
    await page.waitForTimeout(1000);
    await inside.send("HeapProfiler.collectGarbage");
    return inside.send("Memory.getDOMCounters");
  };
  const first = await round(1);
  const later = await round(5);
  // one view that is kept has some hundred listeners and a thousand nodes
  assert.ok(later.jsEventListeners < first.jsEventListeners + 60 && later.nodes < first.nodes + 1500, `${JSON.stringify(first)}, then ${JSON.stringify(later)}`);
});

test("nothing went wrong on the way", () => {
  assert.deepEqual(wrong, []);
  assert.doesNotMatch(desk.said(), /panicked/);
});
