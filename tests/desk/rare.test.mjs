// What the demo's nights have none of: a report of places that is accepted, a season with a period, a server that stops.

import assert from "node:assert/strict";
import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { downloaded, measuredNight, openBrowser, openPage, pictures, started } from "./support.mjs";
import { PERIOD_H, turningSeason } from "./turning.mjs";

const folders = [];
let browser;

before(async () => { browser = await openBrowser(); });

after(async () => {
  await browser?.close();
  for (const folder of folders) rmSync(folder, { recursive: true, force: true });
});

/** A desk that ends with the test, however that ends. */
async function opened(t, words) {
  const desk = await started(words);
  t.after(() => desk.close());
  return desk;
}

/** A copy of a measured night that says all that a report asks for, its frames not called simulated. */
function reportable() {
  const folder = mkdtempSync(join(tmpdir(), "fanlight-report-"));
  folders.push(folder);
  const night = measuredNight();
  cpSync(join(night, "result"), join(folder, "result"), { recursive: true });
  cpSync(join(night, "field.csv"), join(folder, "field.csv"));
  const record = JSON.parse(readFileSync(join(folder, "result/night.json"), "utf8"));
  record.setup.simulated = false;
  writeFileSync(join(folder, "result/night.json"), JSON.stringify(record));
  const campaign = readFileSync(join(night, "campaign.toml"), "utf8")
    .replace("names = [\"A. Observer\"]", "names = [\"C. Lindqvist\"]\nmpc_code = \"Z99\"\nsubmitter = \"C. Lindqvist\"")
    .replace("[photometry]", "[photometry]\ncatalogue_code = \"Gaia3E\"\nfilter_code = \"Sr\"")
    .replace("[camera]", "[camera]\nclock_err_s = 0.2");
  writeFileSync(join(folder, "campaign.toml"), campaign);
  return folder;
}

test("a report of places that its rules allow is shown and saved, for the night and for each frame", async (t) => {
  const folder = reportable();
  const desk = await opened(t, [join(folder, "campaign.toml"), join(folder, "result")]);
  const { page, wrong, context } = await openPage(browser, desk.address, { hash: "#/publish" });
  const report = page.getByRole("region", { name: "Report of places" });
  const lines = async () => (await report.locator("pre.ades").innerText()).split("\n");
  await report.getByRole("button", { name: "Look at the report" }).click();
  const ofNight = await lines();
  assert.equal(ofNight[0], "# version=2022");
  assert.ok(ofNight.includes("! mpcCode Z99"), ofNight.join("\n"));
  const rows = (all) => all.filter((l) => l && !/^[#!]/.test(l)).slice(1);
  assert.equal(rows(ofNight).length, 1);
  await page.screenshot({ path: join(pictures, "ades.png"), fullPage: true });
  await report.getByRole("combobox", { name: "Places" }).selectOption("frames");
  assert.equal(await report.locator("pre.ades").count(), 0, "an older report stands beside another choice");
  await report.getByRole("button", { name: "Look at the report" }).click();
  const record = await desk.json(`api/nights/${(await desk.json("api/campaign")).nights[0].id}/record`);
  assert.equal(rows(await lines()).length, record.frames.filter((f) => f.used).length);
  await report.getByRole("combobox", { name: "Form" }).selectOption("xml");
  await report.getByRole("button", { name: "Look at the report" }).click();
  const { name, bytes } = await downloaded(page, () => report.getByRole("button", { name: "Save the report" }).click());
  assert.ok(name.endsWith("-ades.xml") && bytes.toString().includes("<stn>Z99</stn>"), name);
  assert.deepEqual(wrong, []);
  await context.close();
});

test("a season in which a jet swings says its period, how sure that is, and its aliases", async (t) => {
  const folder = turningSeason();
  folders.push(folder);
  const desk = await opened(t, [join(folder, "campaign.toml"), "--season", join(folder, "season")]);
  const { page, wrong, context } = await openPage(browser, desk.address, { hash: "#/season", height: 1000 });
  const body = page.locator(".season-body");
  const part = (title) => body.locator("section", { has: page.getByRole("heading", { name: title, exact: true }) });
  await part("Periods").waitFor();
  await page.screenshot({ path: join(pictures, "season-period.png"), fullPage: true });
  const said = `${await part("Features over the nights").innerText()} ${await part("Periods").innerText()}`;
  const season = JSON.parse(readFileSync(join(folder, "season/season.json"), "utf8"));
  const periods = [season.tracks[0].period, ...season.period_searches.map((s) => s.period)].filter(Boolean);
  assert.ok(periods.length >= 2, JSON.stringify(season.period_searches));
  for (const p of periods) {
    assert.ok(Math.abs(p.period_h - PERIOD_H) < 5 * p.err_h, `${p.period_h} ± ${p.err_h}`);
    assert.ok(said.includes(`${p.period_h.toFixed(2).slice(0, 4)}`), said);
  }
  assert.match(said, /a periodic direction/);
  assert.match(said, /cannot tell it from 8\.204 h/);

  assert.deepEqual(wrong, []);
  await context.close();
});

test("a server that has gone is said within seconds, and that another has come under another address", async (t) => {
  const folder = reportable();
  const words = [join(folder, "campaign.toml"), join(folder, "result")];
  const desk = await opened(t, words);
  const port = new URL(desk.address).port;
  const { page, wrong, context } = await openPage(browser, desk.address, { hash: "#/night" });
  await page.waitForSelector(".pane:not([hidden]) .pane-title");
  await page.waitForTimeout(7000);
  assert.deepEqual(wrong, [], "asking leaves nothing in the console");
  const says = (text, timeout) => page.waitForFunction((part) => document.querySelector("#link[role=alert]")?.textContent?.includes(part), text, { timeout });
  // a network that is away for a while
  await context.setOffline(true);
  await says("does not answer", 6000);
  await context.setOffline(false);
  await page.waitForFunction(() => document.querySelector("#link")?.textContent === "" && /answers again/.test(document.querySelector("#status")?.textContent ?? ""), null, { timeout: 12_000 });
  desk.close();
  await says("does not answer", 6000);
  await page.waitForTimeout(500);
  assert.equal(await page.locator("#messages .message").count(), 0, "said twice");
  await page.screenshot({ path: join(pictures, "gone.png") });
  await opened(t, [...words, "--port", port]);
  await says("new address", 12_000);
  assert.deepEqual(wrong.filter((line) => !/net::ERR_|^404 GET \S+api\/alive/.test(line)), []);
  await context.close();
});
