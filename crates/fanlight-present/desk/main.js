/** The frame of the page: comet, nights, views, themes, messages. @module */

/** @import { Campaign, Night } from "./types.js" */
import * as api from "./api.js";
import { fill, h } from "./dom.js";
import { capital, day } from "./format.js";
import { link, watch } from "./link.js";
import { memory, startThemes, theme } from "./theme.js";
import "./timings.js";

/**
 * What each view gets. A view is a module with `show(root, context)` that may return, or promise, a function that ends it.
 * @typedef {object} Context
 * @property {Campaign} campaign
 * @property {Night|null} night  the one that is chosen
 * @property {(text: string) => void} announce  said to those who hear the page, and shown for a while
 * @property {(error: unknown) => void} fail  shown in words with its hint
 * @property {(view: string, night?: number) => void} go
 * @property {() => boolean} singleKeys  whether keys without Ctrl or Alt may do things
 * @property {() => Promise<Campaign>} reload  reads the campaign anew, such as after a run
 */

/** @type {Record<string, {words: string, load: () => Promise<{show: (root: HTMLElement, context: Context) => unknown}>, ofNight: boolean}>} */
const VIEWS = {
  night: { words: "Night", load: () => import("./night.js"), ofNight: true },
  season: { words: "Season", load: () => import("./season.js"), ofNight: false },
  frames: { words: "Frames", load: () => import("./frames.js"), ofNight: true },
  publish: { words: "Publish", load: () => import("./publish.js"), ofNight: true },
};

const KEYS = "fanlight-desk-single-keys";

/** @template {HTMLElement} T @param {string} id @returns {T} */
const part = (id) => /** @type {T} */ (document.getElementById(id));

const [main, messages, status, nav, chooser, comet, linkWords] = ["main", "messages", "status", "views", "nights", "comet", "link"].map((id) => part(id));

/** @type {Campaign|null} */
let campaign = null;
let turnNumber = 0;
/** @type {(() => void)|null} */
let end = null;
let statusTimer = 0;
/** Whether the view could not be shown. */
let isWithoutView = false;

/** @param {string} text */
function announce(text) {
  clearTimeout(statusTimer);
  // emptied first: the same words again are said again
  status.textContent = "";
  requestAnimationFrame(() => { status.textContent = text; });
  statusTimer = setTimeout(() => { status.textContent = ""; }, 8000);
}

/** @param {unknown} error */
function fail(error) {
  const said = error instanceof Error ? error.message : String(error);
  const message = capital(said) + (/[.!?]$/.test(said) ? "" : ".");
  const hint = error instanceof api.Refused ? error.hint : null;
  if (!(error instanceof api.Refused)) console.error(error);
  if (message === api.NO_ANSWER && link.get() !== "here") return;
  if ([...messages.children].some((c) => c.getAttribute("data-words") === message)) return;
  const box = h("div", { class: "message", "data-words": message }, h("p", null, h("b", null, message), hint && ` ${capital(hint)}`), h("button", { type: "button", class: "quiet", "aria-label": `Close the message: ${message}`, onclick: () => box.remove() }, "Close"));
  messages.append(box);
  while (messages.childElementCount > 4) messages.firstElementChild?.remove();
}

/** @returns {{view: string, id: number|null}} */
function route() {
  const [, view = "night", id = ""] = location.hash.split("/");
  return { view: view in VIEWS ? view : "night", id: /^\d+$/.test(id) ? Number(id) : null };
}

/** @param {string} view @param {number} [night] */
function go(view, night) {
  const id = night ?? chosen()?.id;
  location.hash = VIEWS[view]?.ofNight && id !== undefined ? `#/${view}/${id}` : `#/${view}`;
}

let lastNight = /** @type {number|null} */ (null);

/** The night of the address, or the one before, or the last one with a stack. */
function chosen() {
  const nights = campaign?.nights ?? [];
  const by = (/** @type {number|null} */ id) => nights.find((n) => n.id === id);
  return by(route().id) ?? by(lastNight) ?? nights.findLast((n) => n.has_stack) ?? nights.at(-1) ?? null;
}

function drawHeader() {
  const { view } = route();
  const night = chosen();
  const focused = nav.contains(document.activeElement);
  fill(nav, ...Object.entries(VIEWS).map(([name, v]) => h("a", { href: v.ofNight && night ? `#/${name}/${night.id}` : `#/${name}`, "aria-current": name === view ? "page" : null }, v.words)));
  if (focused) /** @type {HTMLElement|null} */ (nav.querySelector("[aria-current]"))?.focus();
  const nights = campaign?.nights ?? [];
  const at = nights.findIndex((n) => n.id === night?.id);
  // the select stays the same element, so that focus stays too
  let select = chooser.querySelector("select");
  if (!select) {
    select = h("select", { id: "night-select", "aria-label": "Night", onchange: () => go(VIEWS[route().view].ofNight ? route().view : "night", Number(/** @type {HTMLSelectElement} */ (select).value)) });
    const step = (/** @type {number} */ by, /** @type {string} */ sign, /** @type {string} */ label) => h("button", { type: "button", "aria-label": label, title: label, "data-by": by, onclick: () => stepNight(by) }, sign);
    fill(chooser, step(-1, "‹", "Previous night (key [)"), select, step(1, "›", "Next night (key ])"));
  }
  fill(select, ...nights.map((n) => h("option", { value: n.id }, `${day(n.mid_utc)}${n.band ? ` · ${n.band}` : ""}${n.has_stack ? "" : " · no stack"}${n.n_features ? ` · ${n.n_features} feature${n.n_features > 1 ? "s" : ""}` : ""}`)));
  if (night) select.value = String(night.id);
  chooser.hidden = nights.length === 0;
  for (const b of chooser.querySelectorAll("button")) b.disabled = nights[at + Number(b.getAttribute("data-by"))] === undefined;
}

/** @param {number} by */
function stepNight(by) {
  const nights = campaign?.nights ?? [];
  const next = nights[nights.findIndex((n) => n.id === chosen()?.id) + by];
  if (!next) return;
  go(VIEWS[route().view].ofNight ? route().view : "night", next.id);
  announce(`Night of ${day(next.mid_utc)}`);
}

async function render() {
  if (!campaign) return;
  turnNumber += 1;
  const mine = turnNumber;
  const { view } = route();
  const night = chosen();
  lastNight = night?.id ?? null;
  drawHeader();
  document.title = `${VIEWS[view].words}${VIEWS[view].ofNight && night ? ` of ${day(night.mid_utc)}` : ""} – ${campaign.object} – Fanlight desk`;
  end?.();
  end = null;
  messages.replaceChildren();
  isWithoutView = false;
  const root = h("div", { class: `view ${view}-view` }, h("p", { class: "muted loading" }, "Loading…"));
  fill(main, root);
  try {
    const module = await VIEWS[view].load().catch(async (/** @type {unknown} */ error) => {
      // a desk that is gone says so in words of its own
      await api.campaign();
      throw error;
    });
    if (mine !== turnNumber) return;
    const ended = await module.show(root, { campaign, night, announce, fail, go, singleKeys, reload });
    if (typeof ended !== "function") return;
    // overtaken while it loaded
    if (mine === turnNumber) end = /** @type {() => void} */ (ended);
    else ended();
  } catch (error) {
    if (mine !== turnNumber) return;
    isWithoutView = true;
    root.querySelector(".loading")?.replaceWith(h("p", null, "This view cannot be shown; why is said above."));
    fail(error);
  }
}

async function reload() {
  campaign = await api.campaign();
  drawHeader();
  return campaign;
}

const singleKeys = () => memory.read(KEYS) !== "off";

function startHeader() {
  const themes = part("theme");
  if (themes instanceof HTMLSelectElement) {
    themes.value = theme.get();
    themes.addEventListener("change", () => theme.set(/** @type {import("./theme.js").Theme} */ (themes.value)));
  }
  const help = /** @type {HTMLDialogElement} */ (part("help"));
  part("help-open").addEventListener("click", () => help.showModal());
  const keys = part("single-keys");
  if (keys instanceof HTMLInputElement) {
    keys.checked = singleKeys();
    keys.addEventListener("change", () => memory.write(KEYS, keys.checked ? null : "off"));
  }
  document.addEventListener("keydown", (e) => {
    const typing = e.target instanceof HTMLElement && e.target.closest("input:not([type=range]):not([type=checkbox]), select, textarea, dialog");
    if (typing || e.ctrlKey || e.metaKey || e.altKey || !singleKeys()) return;
    if (e.key === "[") stepNight(-1);
    else if (e.key === "]") stepNight(1);
    else if (e.key === "?") help.showModal();
  });
  document.querySelector(".skip")?.addEventListener("click", (e) => {
    // the address holds the view: it must not change
    e.preventDefault();
    main.focus();
  });
}

/** Says that nobody answers, that another does, or that all is as before. @param {import("./link.js").Link} now */
function sayLink(now) {
  linkWords.textContent = {
    here: "",
    gone: "The desk does not answer any more: what is shown stays, nothing new comes. Is the command “fanlight desk” still running in its terminal? This page asks again by itself.",
    moved: "The desk was started again and has a new address: open the one that “fanlight desk” printed in its terminal. This page gets nothing more.",
  }[now];
  // said once
  for (const message of messages.querySelectorAll(`[data-words="${api.NO_ANSWER}"]`)) message.remove();
  announce(now === "here" ? "The desk answers again." : "");
  if (now !== "here") return;
  if (!campaign) location.reload();
  else if (isWithoutView) render();
}

async function start() {
  startThemes();
  startHeader();
  link.listen(sayLink);
  watch();
  window.addEventListener("hashchange", render);
  // the view is fetched while the campaign is asked
  VIEWS[route().view].load().catch(() => {});
  try {
    campaign = await api.campaign();
  } catch (error) {
    fill(main, h("p", null, "The campaign cannot be shown; why is said above."));
    fail(error);
    return;
  }
  comet.textContent = campaign.object;
  if (campaign.problems.length) {
    const box = part("problems");
    box.hidden = false;
    fill(box, h("details", null, h("summary", null, `${campaign.problems.length} ${campaign.problems.length > 1 ? "things" : "thing"} to know about this campaign`), h("ul", null, ...campaign.problems.map((p) => h("li", null, p)))));
  }
  part("program").textContent = campaign.program;
  await render();
}

window.addEventListener("unhandledrejection", (e) => { if (!api.isAbort(e.reason)) fail(e.reason); });

start();
