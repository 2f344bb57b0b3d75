// The night view, as a person uses it.

import assert from "node:assert/strict";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { downloaded, openBrowser, openDesk, openPage, pictures } from "./support.mjs";

let desk, browser, page, wrong;

before(async () => {
  desk = await openDesk();
  browser = await openBrowser();
  ({ page, wrong } = await openPage(browser, desk.address, { width: 1440, hash: "#/night/3" }));
  await page.waitForSelector(".pane:not([hidden]) .pane-title");
});

after(async () => {
  await browser?.close();
  desk?.close();
});

const titles = () => page.$$eval(".pane:not([hidden]) .pane-title", (all) => all.map((e) => e.textContent));
const filterChoice = () => page.getByRole("combobox", { name: "Filter", exact: true });

test("the night stands beside its twin, oriented and scaled", async () => {
  await page.waitForFunction(() => globalThis.deskTimings.first_picture_ms > 0);
  const shown = await titles();
  assert.equal(shown.length, 2);
  assert.match(shown[1], /twin/i);
  const text = await page.innerText("main");
  for (const part of [/toward the Sun/, /against the orbital motion/, /″/, /km/, /30 frames/, /band r/]) assert.match(text, part);
  await page.screenshot({ path: join(pictures, "night.png") });
});

test("a held key shows the twin in the night's place", async () => {
  const before = await titles();
  await page.focus(".lines");
  await page.keyboard.down("t");
  await page.waitForFunction((was) => document.querySelector(".pane:not([hidden]) .pane-title")?.textContent !== was, before[0]);
  assert.match((await titles())[0], /twin/i);
  await page.keyboard.up("t");
  await page.waitForFunction((was) => document.querySelector(".pane:not([hidden]) .pane-title")?.textContent === was, before[0]);
});

test("the cross reads what the record's profile says", async () => {
  await page.focus(".lines");
  await page.keyboard.press("c");
  for (let i = 0; i < 6; i += 1) await page.keyboard.press("Shift+ArrowUp");
  const readout = await page.innerText(".readout");
  assert.match(readout, /\d+h \d+m/);
  assert.match(readout, /mag\/arcsec²/);
  const rho = Number(/([\d.]+)″, [\d\s]+km/u.exec(readout)?.[1]);
  const light = Number(/([\d.]+) e⁻\/s\/arcsec²/.exec(readout)?.[1]);
  const record = await desk.json("api/nights/3/record");
  const ring = record.profile.find((r) => r.inner_arcsec <= rho && rho < r.outer_arcsec);
  assert.ok(ring, readout);
  // one pixel of a coma with a jet of some per cent
  assert.ok(Math.abs(light / ring.mean_e_per_s_arcsec2 - 1) < 0.3, `${light} and ${ring.mean_e_per_s_arcsec2} at ${rho}`);
});

test("every filter shows night and twin and says what it draws of its own", async () => {
  const methods = await desk.json("api/methods");
  for (const method of methods) {
    await filterChoice().selectOption(method.name);
    await page.waitForFunction((title) => document.querySelector(".pane:not([hidden]) .pane-title")?.textContent?.includes(title), method.title);
    const shown = await titles();
    assert.ok(shown[0].toLowerCase().includes(method.title.toLowerCase()), `${method.name}: ${shown}`);
    assert.ok((await page.innerText("main")).includes(method.artefacts.slice(0, 40)), method.name);
    if (method.name === "rotational-gradient") await page.screenshot({ path: join(pictures, "night-gradient.png") });
  }
});

test("beside a ratio of two nights stands that of their twins, without the jet of either", async () => {
  const request = { drawn: { method: "temporal-ratio", against: 1, with_twin: true, patient: true }, inner_arcsec: 8, outer_arcsec: 25, n_pa: 36, n_rho: 8, log_rho: false };
  const answer = await fetch(`${desk.address}api/nights/3/unrolled`, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(request) });
  const bytes = await answer.arrayBuffer();
  const start = Math.ceil((4 + new DataView(bytes).getUint32(0, true)) / 4) * 4;
  const mean = (values, column) => [...Array(8).keys()].reduce((sum, row) => sum + values[36 * row + column], 0) / 8;
  const [night, twin] = [new Float32Array(bytes, start, 288), new Float32Array(bytes, start + 4 * 288, 288)];
  const spread = (values) => Math.max(...[...Array(36).keys()].map((column) => Math.abs(mean(values, column) - 1)));
  // the first night has no jet, so the ratio has the third's; what the twins show is how unlike the nights' star images are
  assert.ok(spread(night) > 0.06, `${spread(night)}`);
  assert.ok(spread(twin) < 0.03, `${spread(twin)}`);
});

test("a slider asks for new pixels", async () => {
  await filterChoice().selectOption("rotational-gradient");
  const slider = page.locator("section.tools input[type=range]").first();
  const answered = page.waitForResponse((r) => r.url().endsWith("/enhance") && r.request().postData()?.includes("\"rotation_deg\":30"));
  await slider.focus();
  for (let i = 0; i < 10; i += 1) await page.keyboard.press("ArrowRight");
  assert.equal((await answered).status(), 200);
});

test("a feature tells its evidence", async () => {
  await page.locator(".feature").first().click();
  const text = await page.innerText("section.tools");
  for (const part of [/supported/, /False-alarm probability/i, /Noise: passed/, /Halves: passed/, /Centre/]) assert.match(text, part);
});

/** What is drawn over a pane. */
const drawn = (pane) => page.locator(".pane:not([hidden]) .lines").nth(pane).evaluate((canvas) => canvas.toDataURL());
const rest = () => page.evaluate(() => new Promise((done) => { requestAnimationFrame(() => requestAnimationFrame(done)); }));

test("over the twin no line stands but the place of the chosen feature", async () => {
  await page.mouse.move(5, 5);
  const lines = page.getByRole("checkbox", { name: /Drawn over the night/ });
  const both = async () => { await rest(); return [await drawn(0), await drawn(1)]; };
  const chosen = await both();
  await lines.uncheck();
  const clean = await both();
  assert.ok(chosen[0] !== clean[0] && chosen[1] !== clean[1], "the chosen feature is drawn over neither");
  await page.locator(".feature").first().click();
  await lines.check();
  const unchosen = await both();
  assert.notEqual(unchosen[0], clean[0]);
  assert.equal(unchosen[1], clean[1], "the night's line stands over the twin");
  // nor is there anything to click: the same place chooses a feature on the night only
  const glass = await page.locator(".pane:not([hidden]) .lines").all();
  // the evidence of a chosen feature scrolls into view
  const top = () => page.evaluate(() => scrollTo(0, 0));
  await top();
  const boxes = await Promise.all(glass.map((g) => g.boundingBox()));
  const at = (k) => [0.5 + (0.02 + 0.0004 * k) * Math.cos(k * 0.2), 0.5 + (0.02 + 0.0004 * k) * Math.sin(k * 0.2)];
  const click = async (pane, k) => {
    await top();
    await page.mouse.click(boxes[pane].x + boxes[pane].width * at(k)[0], boxes[pane].y + boxes[pane].height * at(k)[1]);
  };
  const isChosen = async () => (await page.locator('.feature[aria-expanded="true"]').count()) > 0;
  let hit = 0;
  for (; hit < 150 && !(await isChosen()); hit += 1) await click(0, hit);
  assert.ok(await isChosen(), "no place on the night chooses a feature");
  await click(0, hit - 1);
  assert.equal(await isChosen(), false);
  await click(1, hit - 1);
  assert.equal(await isChosen(), false, "the twin's pixels choose a feature whose line is not there");
  await page.mouse.move(5, 5);
  await page.locator(".feature").first().click();
});

test("the centre goes beyond its error by the keys and fields, and says so", async () => {
  const centre = page.locator("section.tools section", { has: page.getByRole("heading", { name: "Centre", exact: true }) });
  await centre.locator("summary").click();
  await centre.locator("svg.pad").focus();
  for (let i = 0; i < 2; i += 1) await page.keyboard.press("Shift+ArrowUp");
  const words = centre.locator("p[aria-live]");
  assert.match(await words.innerText(), /Moved by 4\.0 σ.*outside 3 σ: another centre than the measured one/);
  const view = await desk.json("api/nights/3/view");
  const answered = page.waitForResponse((r) => r.url().endsWith("/enhance") && Math.hypot(r.request().postDataJSON().drawn.centre_dx_px, r.request().postDataJSON().drawn.centre_dy_px) > 49.9);
  await centre.getByLabel("East (″)").fill("1000");
  await page.keyboard.press("Enter");
  assert.equal((await answered).status(), 200);
  assert.match(await words.innerText(), /Farther than 50 pixels it is not moved/);
  assert.ok(Math.abs(Number(await centre.getByLabel("East (″)").inputValue()) - 50 * view.scale_arcsec) < 0.5);
  await centre.getByRole("button", { name: "Back to the measured centre" }).click();
  assert.match(await words.innerText(), /At the measured centre/);
  await centre.locator("summary").click();
});

test("what the data do not allow is said where the picture would stand", async () => {
  await filterChoice().selectOption("power-law-division");
  const [inner, outer] = [0, 1].map((i) => page.locator("section.tools .settings input[type=range]").nth(i));
  await outer.focus();
  await page.keyboard.press("End");
  await inner.focus();
  await page.keyboard.press("End");
  await page.getByText(/^Not shown: the light itself stands in its place\./).waitFor();
  await page.getByText(/^Not shown\. /).waitFor();
  assert.ok(!(await titles())[0].includes("ower law"), `${await titles()}`);
  await inner.focus();
  await page.keyboard.press("Home");
  await page.waitForFunction(() => !/Not shown/.test(document.querySelector("section.tools")?.textContent ?? ""));
  await filterChoice().selectOption("rotational-gradient");
});

test("a sector is measured by hand, kept under a name, undone and brought back", async () => {
  await page.getByText("A sector on the sky").click();
  await page.waitForSelector(".result");
  await page.waitForFunction(() => /by eye/.test(document.querySelector(".result")?.textContent ?? ""), null, { timeout: 60000 });
  // it says of which side it speaks, and what cannot be measured cannot be saved
  const set = async (label, value) => { await page.getByRole("spinbutton", { name: label }).fill(value); await page.keyboard.press("Enter"); };
  const { sector } = await (async () => {
    for (let pa = 0; ; pa += 40) {
      const body = { pa_deg: pa, width_deg: 30, inner_arcsec: 8, outer_arcsec: 40 };
      const answer = await fetch(`${desk.address}api/nights/3/sector`, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
      const { measured } = await answer.json();
      if (measured?.contrast < 0) { assert.ok(measured.side === "darker" && measured.probability_alone <= 0.5); return { sector: body }; }
    }
  })();
  const pa = await page.getByRole("spinbutton", { name: /^PA/ }).inputValue();
  await set(/^PA/, String(sector.pa_deg));
  await set(/^Outer/, "40");
  await set(/^Inner/, "8");
  await page.waitForFunction(() => /As dark somewhere by chance.*Asked was for darker places alone/s.test(document.querySelector(".result:not(.stale)")?.textContent ?? ""));
  await set(/^Outer/, "9");
  await page.waitForFunction(() => /Not measured\./.test(document.querySelector(".result")?.textContent ?? ""));
  assert.ok(await page.getByRole("button", { name: "Save as my measurement" }).isDisabled());
  await set(/^Outer/, "40");
  await set(/^PA/, pa);
  await page.waitForFunction(() => /by eye/.test(document.querySelector(".result:not(.stale)")?.textContent ?? ""));
  await page.focus(".sky-handle.pa");
  await page.keyboard.press("ArrowRight");
  await page.fill("#measured-by", "B. Tester");
  await page.fill("#measured-note", "by eye");
  await page.getByText("Save as my measurement").click();
  await page.waitForFunction(() => document.querySelector(".measurements")?.textContent?.includes("B. Tester"), null, { timeout: 60000 });
  const kept = await desk.json("api/nights/3/measurements");
  assert.equal(kept.length, 1);
  assert.deepEqual([kept[0].person, kept[0].note, kept[0].undone_utc], ["B. Tester", "by eye", null]);
  assert.ok(kept[0].probability_by_eye >= kept[0].probability_alone);
  await page.focus(".lines");
  await page.keyboard.press("Control+z");
  await page.waitForFunction(() => /undone/.test(document.querySelector(".measurements")?.textContent ?? ""));
  assert.ok((await desk.json("api/nights/3/measurements"))[0].undone_utc);
  await page.keyboard.press("Control+Shift+z");
  await page.waitForFunction(() => !/undone/.test(document.querySelector(".measurements")?.textContent ?? ""));
  assert.equal((await desk.json("api/nights/3/measurements"))[0].undone_utc, null);
});

test("no probability is rounded to 0 or 1", async () => {
  const said = await page.evaluate(async () => {
    const { probability, chance } = await import(String(new URL("page/format.js", document.baseURI)));
    return [[1 - 1e-9, 0.99, 0.96, 1, 0, 1e-9, 0.03].map(chance), probability(0.9999)];
  });
  assert.deepEqual(said[0], ["over 0.99", "0.99", "0.96", "1.0", "under 10⁻⁶", "under 10⁻⁶", "0.030"]);
  assert.equal(said[1], "over 0.99: nearly always");
});

test("blinking stops by the same key", async () => {
  await page.focus(".lines");
  const other = (was) => page.waitForFunction((title) => document.querySelector(".pane:not([hidden]) .pane-title")?.textContent !== title, was);
  const before = (await titles())[0];
  await page.keyboard.press("b");
  await other(before);
  await other((await titles())[0]);
  await page.keyboard.press("b");
  await page.waitForFunction((title) => document.querySelector(".pane:not([hidden]) .pane-title")?.textContent === title, before);
  const rests = (await titles())[0];
  await page.waitForTimeout(1500);
  assert.equal((await titles())[0], rests);
});

/** The figure with a heading. */
const plot = (title) => page.locator("figure.plot").filter({ has: page.getByRole("heading", { name: title, exact: true }) });
/** Where the vertical lines of a figure's cursor stand, and the numbers under its lowest axis, on the screen. */
const onScreen = (title) => plot(title).locator(".night-plot svg").evaluate((svg) => {
  svg.scrollIntoView({ block: "center" });
  const matrix = svg.getScreenCTM();
  const at = (x, y) => new DOMPoint(x, y).matrixTransform(matrix);
  const d = svg.querySelector("[data-cursor]").getAttribute("d") ?? "";
  const lines = [...d.matchAll(/M([\d.]+) ([\d.]+)/g)].map((m) => at(Number(m[1]), Number(m[2])).x);
  const groups = [...svg.querySelectorAll("g[data-panel]")];
  const [left, top, width, height] = groups.at(-1).dataset.panel.split(" ").map(Number);
  const number = (text) => Number(text.replaceAll("\u202f", ""));
  const below = [...groups.at(-1).querySelectorAll("text")].filter((e) => e.getAttribute("text-anchor") === "middle" && Number(e.getAttribute("y")) > top + height && !e.hasAttribute("transform"));
  const ticks = below.map((e) => { const box = e.getBoundingClientRect(); return { value: number(e.textContent), x: box.left + box.width / 2 }; }).filter((e) => e.value > 0);
  return { lines, panels: groups.length, ticks, left: at(left, 0).x, right: at(left + width, 0).x, middle: at(0, top + height / 2).y };
});
/** Where a value stands between the numbers of a logarithmic axis. */
const between = ({ ticks }, value) => {
  const [a, b] = [ticks[0], ticks.at(-1)];
  return a.x + (Math.log(value / a.value) / Math.log(b.value / a.value)) * (b.x - a.x);
};
const rhoRead = async () => Number(/([\d.]+)″, [\d\s]+km/u.exec(await page.innerText(".readout"))?.[1]);

test("a move on the sky moves a line in the report's plots, to where their own numbers say", async () => {
  await page.waitForFunction(() => document.querySelectorAll("figure.plot .night-plot svg").length === 2);
  const { km_per_arcsec } = await desk.json("api/nights/3/view");
  await page.focus(".lines");
  await page.keyboard.press("c");
  for (let rho = 0; rho < 20; rho = await rhoRead()) await page.keyboard.press("Shift+ArrowUp");
  await page.waitForTimeout(100);
  const rho = await rhoRead();
  for (const [title, value] of [["Radial profile", rho], ["Curve of growth", rho * km_per_arcsec]]) {
    const seen = await onScreen(title);
    assert.ok(seen.ticks.length >= 2 && seen.panels === 2 && seen.lines.length === 2, JSON.stringify(seen));
    for (const x of seen.lines) assert.ok(Math.abs(x - between(seen, value)) < 1, `${title}: ${x}, not ${between(seen, value)}`);
  }
  // 20″ itself, by the pointer: the line stands at 20 between the numbers, and the sky is at 20″
  const seen = await onScreen("Radial profile");
  await page.mouse.move(between(seen, 20), seen.middle);
  await page.waitForTimeout(100);
  const [x] = (await onScreen("Radial profile")).lines;
  assert.ok(Math.abs(x - between(seen, 20)) < 1, `${x}, not ${between(seen, 20)}`);
  // a pixel of the axis is so many per cent
  const perPixel = Math.abs(Math.log(seen.ticks.at(-1).value / seen.ticks[0].value) / (seen.ticks.at(-1).x - seen.ticks[0].x));
  assert.ok(Math.abs(Math.log((await rhoRead()) / 20)) < perPixel + 0.005, `${await rhoRead()}`);
});

test("the arrow keys go from ring to ring, with the values of night and twin", async () => {
  const record = await desk.json("api/nights/3/record");
  const rings = record.profile.filter((r) => r.mean_e_per_s_arcsec2 > 0);
  const said = () => plot("Radial profile").locator("output").innerText();
  const holder = plot("Radial profile").locator(".night-plot");
  await holder.focus();
  // faster than the page draws: no key may be lost
  await holder.evaluate((e) => ["Home", ...Array(8).fill("ArrowRight")].forEach((key) => e.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }))));
  await page.waitForTimeout(100);
  const ring = rings[8];
  const words = await said();
  const [, rho, night, twin] = /ρ ([\d.]+)″.*night ([\d.]+)\s±.*twin ([\d.]+) e⁻/u.exec(words) ?? [];
  assert.ok(Math.abs(Number(rho) - ring.rho_arcsec) < 0.06, words);
  assert.ok(Math.abs(Number(night) / ring.mean_e_per_s_arcsec2 - 1) < 0.02, words);
  // the twin is the night without what differs round the centre
  assert.ok(Math.abs(Number(twin) / Number(night) - 1) < 0.1, words);
  assert.match(words, /mag\/arcsec²; slope −[\d.]+/);
  assert.match(await plot("Curve of growth").locator("output").innerText(), /magnitude: night [\d.]+.*twin [\d.]+; Afρ: night \d+.*twin \d+/u);
  assert.ok(Math.abs((await rhoRead()) - ring.rho_arcsec) < 0.06);
  const described = await holder.evaluate((e) => ["aria-labelledby", "aria-describedby"].map((name) => document.getElementById(e.getAttribute(name))?.textContent));
  assert.deepEqual(described, ["Radial profile", words]);
  assert.match(await holder.locator("svg").getAttribute("aria-label"), /brightness falling with distance/);
  await page.screenshot({ path: join(pictures, "night-plots.png"), fullPage: true });
});

test("no key is lost in the unrolled coma either", async () => {
  const unrolled = page.locator(".unrolled svg").first();
  await unrolled.waitFor();
  await unrolled.focus();
  const pa = async () => Number(/([\d.]+)°/.exec(await page.locator(".readout").getByText(/^[\d.]+°$/).first().innerText())?.[1]);
  const before = await pa();
  await unrolled.evaluate((e) => Array(5).fill("ArrowRight").forEach((key) => e.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }))));
  await page.waitForTimeout(100);
  assert.ok(Math.abs(((await pa()) - before + 360) % 360 - 10) < 0.15, `${before} to ${await pa()}`);
});

test("plots are saved as SVG, PNG and CSV", async () => {
  const record = await desk.json("api/nights/3/record");
  for (const [title, file, rows] of [["Radial profile", "profile", record.profile.length], ["Curve of growth", "growth", record.curve_of_growth.length + record.photometry.length]]) {
    for (const kind of ["SVG", "PNG"]) {
      const { name, bytes } = await downloaded(page, () => page.getByRole("link", { name: `Save as ${kind}: ${title}` }).click());
      assert.equal(name, `night-2031-03-24-${file}.${kind.toLowerCase()}`);
      if (kind === "PNG") assert.equal(bytes.readUInt32BE(16), 2008);
      else assert.match(bytes.toString(), /^<svg [\s\S]*C\/2031 Z2: [\s\S]*data-x="log /);
    }
    const { name, bytes } = await downloaded(page, () => page.getByRole("button", { name: `Save as CSV: ${title}` }).click());
    assert.equal(name, `night-2031-03-24-${file}.csv`);
    const [comment, header, ...lines] = bytes.toString().trim().split("\n");
    assert.match(comment, /^# C\/2031 Z2, night of 24 March 2031.*simulated frames, fanlight /);
    for (const column of file === "profile" ? ["rho_arcsec", "err_e_per_s_arcsec2", "slope_err", "twin_mean_e_per_s_arcsec2"] : ["radius_km", "mag_err", "afrho_cm", "twin_afrho_cm"]) assert.ok(header.split(",").includes(column), header);
    assert.equal(lines.length, rows);
  }
});

test("the night before is one key away", async () => {
  await page.focus(".lines");
  await page.keyboard.press("[");
  await page.waitForFunction(() => location.hash === "#/night/2");
});

test("nothing went wrong on the way", () => {
  assert.deepEqual(wrong, []);
  assert.doesNotMatch(desk.said(), /panicked/);
});
