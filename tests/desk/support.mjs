// A desk on a copy of the demo's nights, and a browser in front of it.

import { spawn, spawnSync } from "node:child_process";
import { cpSync, existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import { chromium } from "playwright-core";

const here = dirname(fileURLToPath(import.meta.url));
export const root = resolve(here, "../..");
export const program = join(root, "target/release/fanlight");
/** Screenshots, to be looked at. */
export const pictures = join(root, "target/desk-pictures");
const demo = join(root, "target/desk-demo");

/** The demo's nights, measured once. */
function measured() {
  const made = spawnSync(program, ["demo", "--out", demo], { encoding: "utf8" });
  if (made.status !== 0) throw new Error(`fanlight demo: ${made.stderr}`);
  mkdirSync(pictures, { recursive: true });
}

/** Measures the demo's nights unless this very program has. */
function prepare() {
  const made = join(demo, "season/season.json");
  if (!existsSync(made) || statSync(made).mtimeMs < statSync(program).mtimeMs) measured();
  mkdirSync(pictures, { recursive: true });
}

/** The demo's last night, measured: `campaign.toml` and `result`. Not to be changed. */
export function measuredNight() {
  prepare();
  return join(demo, "2031-03-24");
}

/** A desk of its own for a file of tests; ends with `close`. */
export async function openDesk(more = []) {
  prepare();
  const folder = mkdtempSync(join(tmpdir(), "fanlight-desk-"));
  // frames stay where they are: the nights' calls name them
  cpSync(demo, folder, { recursive: true, filter: (path) => !path.endsWith("/frames") && !path.endsWith("/season") });
  const desk = await started([join(folder, "2031-03-24/campaign.toml"), "--ledger", join(folder, "demo.ledger.sqlite"), ...more]);
  return {
    ...desk,
    folder,
    close() {
      desk.close();
      rmSync(folder, { recursive: true, force: true });
    },
  };
}

/** A desk with these words behind `fanlight desk`; ends with `close`. `DESK_PAGE_FROM` names a folder that the page's files are taken from. */
export async function started(words) {
  const from = process.env.DESK_PAGE_FROM;
  const child = spawn(program, ["desk", ...words, ...(from ? ["--page-from", from] : [])], { stdio: ["ignore", "pipe", "pipe"] });
  let said = "";
  child.stderr.on("data", (text) => { said += text; });
  const address = await new Promise((done, failed) => {
    let text = "";
    child.stdout.on("data", (more) => {
      text += more;
      if (text.includes("\n")) done(text.split("\n")[0]);
    });
    child.on("exit", () => failed(new Error(`fanlight desk ended: ${said}`)));
  });
  return {
    address,
    pid: child.pid,
    /** What the server said on standard error: a panic would stand there. */
    said: () => said,
    json: async (path) => (await fetch(address + path)).json(),
    close: () => { child.kill(); },
  };
}

/** A browser; `FANLIGHT_CHROMIUM` names another than Debian's. */
export const openBrowser = () => chromium.launch({
  executablePath: process.env.FANLIGHT_CHROMIUM ?? "/usr/bin/chromium",
  // root in a container has no sandbox to give
  args: process.getuid?.() === 0 ? ["--no-sandbox"] : [],
});

/**
 * The processes of this program's browsers of one kind, each with the memory that it holds.
 * @param {string} kind  "renderer": those that hold pages
 */
export function renderers(kind = "renderer") {
  const read = (/** @type {string} */ path) => { try { return readFileSync(path, "utf8"); } catch { return ""; } };
  const parents = new Map(readdirSync("/proc").filter((name) => /^\d+$/.test(name)).map((pid) => [pid, /^PPid:\s+(\d+)/m.exec(read(`/proc/${pid}/status`))?.[1]]));
  const isOurs = (/** @type {string|undefined} */ pid) => { for (let at = pid; at && at !== "0"; at = parents.get(at)) if (at === String(process.pid)) return true; return false; };
  return [...parents.keys()].filter((pid) => isOurs(pid) && read(`/proc/${pid}/cmdline`).includes(`--type=${kind}`))
    .map((pid) => ({ pid: Number(pid), rss_mib: Number(/VmRSS:\s+(\d+)/.exec(read(`/proc/${pid}/status`))?.[1] ?? 0) / 1024 }));
}

/**
 * A page that keeps what goes wrong on it: errors in the console, exceptions, answers that the page should not have asked for.
 * @param {import("playwright-core").Browser} browser
 */
export async function openPage(browser, address, { hash = "", theme = "light", width = 1280, height = 900, ...more } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, acceptDownloads: true, ...more });
  const page = await context.newPage();
  const wrong = [];
  // what a server refused is told better below
  page.on("console", (message) => { if (message.type() === "error" && !/the server responded with a status of/.test(message.text())) wrong.push(message.text()); });
  page.on("pageerror", (error) => wrong.push(String(error.stack)));
  page.on("response", async (response) => {
    if (response.status() < 400) return;
    const [request, line] = [response.request(), wrong.length];
    wrong.push(`${response.status()} ${request.method()} ${request.url()} ${request.postData() ?? ""}`);
    const body = await response.text().catch(() => "");
    wrong[line] += ` ${body.slice(0, 400)}`;
  });
  page.on("request", (request) => { if (!/^(blob|data):/.test(request.url()) && !request.url().startsWith(address)) wrong.push(`asked elsewhere: ${request.url()}`); });
  await page.addInitScript((name) => { try { localStorage.setItem("fanlight-desk-theme", name); } catch { /* not allowed, not needed */ } }, theme);
  await page.goto(address + hash);
  return { page, wrong, context };
}

/** Saves what a click downloads and gives its name and text. */
export async function downloaded(page, click) {
  const [download] = await Promise.all([page.waitForEvent("download"), click()]);
  const path = join(pictures, download.suggestedFilename());
  await download.saveAs(path);
  return { name: download.suggestedFilename(), bytes: readFileSync(path) };
}
