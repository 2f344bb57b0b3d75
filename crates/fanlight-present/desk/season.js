/** The season view: which nights, the season of them made here, and all that it says. @module */

import { get } from "./api.js";
import { drawer, fill, h, newId, tick } from "./dom.js";
import { capital, date, day, fixed, known, withError } from "./format.js";
import { jobBoard } from "./jobs.js";
import { activityFigure, changes, comparison, lightCurve, montage, nightsTable, timeLine, tracksFigure } from "./season_figures.js";
import { directionWords, driftWords, fitWords, measured, outburstWords, periodWords } from "./season_words.js";
import { quiet } from "./tables.js";

/** @import { Context } from "./main.js" */
/** @import { Method, Night } from "./types.js" */
/** @import { Season, SeasonRecord } from "./season_types.js" */

const MONTAGE = "montage";
/** Two nights at once: not a picture of each. */
const OF_TWO_NIGHTS = "temporal-ratio";

/**
 * @param {HTMLElement} root
 * @param {Context} context
 * @returns {Promise<() => void>} ends the view
 */
export async function show(root, context) {
  /** @type {(() => void)[]} */
  let stops = [];
  const say = h("div", { class: "season-body" });
  const board = jobBoard(context.campaign, context.announce, {
    running: (on) => chooser.busy(on),
    ended: async (job) => {
      if (job.kind !== "season") return;
      try {
        if (job.state === "done") await renew();
      } catch (error) { context.fail(error); }
    },
  });
  const [season, methods] = await Promise.all([/** @type {Promise<Season>} */ (get("api/season")), /** @type {Promise<Method[]>} */ (get("api/methods"))]);
  const looks = new Map(methods.map((m) => [`${MONTAGE}-${m.name}`, m.title]));
  const chooser = nightChooser(context.campaign.nights, methods, (request) => board.start({ kind: "season", ...request }));
  fill(root, h("h2", null, `The season of ${context.campaign.object}`), chooser.root, board.root, say);

  /** @param {Season} now */
  function render(now) {
    stops.forEach((stop) => stop());
    stops = [];
    chooser.from(now);
    const record = now.is_there ? now.record : null;
    if (record) stops = drawSeason(say, now, record, looks, context);
    else fill(say, h("p", null, "No season has been made here yet. Choose nights above, then make it: their pictures at one scale, what changed, features and dust over the nights."));
  }
  const renew = async () => render(await get("api/season"));

  render(season);
  try { await board.resume(); } catch (error) { context.fail(error); }
  return () => {
    board.stop();
    stops.forEach((stop) => stop());
  };
}

/**
 * @param {Night[]} nights
 * @param {Method[]} methods
 * @param {(request: {nights: number[], enhance: string[]}) => void} make
 */
function nightChooser(nights, methods, make) {
  const usable = nights.filter((n) => n.has_stack);
  const boxes = nights.map((n) => {
    const { field, input } = tick(`${day(n.mid_utc)}${n.band ? ` · ${n.band}` : ""}${n.site ? ` · ${n.site}` : ""}${n.has_stack ? "" : ` – ${n.unusable ?? "no stack"}`}`, n.has_stack, count);
    input.disabled = !n.has_stack;
    return { night: n, field, input };
  });
  const looks = methods.filter((m) => m.name !== OF_TWO_NIGHTS).map((m) => ({ method: m, ...tick(capital(m.title), false, () => {}) }));
  const [from, to] = ["From", "to"].map((label) => {
    const id = newId();
    const input = h("input", { id, type: "date", min: usable[0]?.mid_utc.slice(0, 10), max: usable.at(-1)?.mid_utc.slice(0, 10), onchange: between });
    return { field: h("span", { class: "field" }, h("label", { for: id }, label), input), input };
  });
  const counted = h("p", { class: "small" });
  const button = h("button", { type: "button", class: "main", onclick: () => make({ nights: chosen(), enhance: looks.filter((l) => l.input.checked).map((l) => l.method.name) }) }, "Make the season");
  const stale = h("p", { class: "warning", hidden: true });
  let busy = false;

  const chosen = () => boxes.filter((b) => b.input.checked).map((b) => b.night.id);
  function count() {
    const n = chosen().length;
    counted.textContent = `${n} of ${usable.length} nights chosen.${n ? "" : " Choose at least one."}`;
    button.disabled = busy || n === 0;
  }
  /** @param {(n: Night) => boolean} which */
  function choose(which) {
    for (const b of boxes) b.input.checked = b.night.has_stack && which(b.night);
    count();
  }
  function between() {
    choose((n) => (!from.input.value || n.mid_utc.slice(0, 10) >= from.input.value) && (!to.input.value || n.mid_utc.slice(0, 10) <= to.input.value));
  }
  const all = (/** @type {string} */ words, /** @type {boolean} */ on) => quiet(words, () => { from.input.value = to.input.value = ""; choose(() => on); });
  count();
  const panel = drawer("Nights", {},
    h("div", { class: "choosers" },
      h("fieldset", null, h("legend", null, "Nights of the season"),
        h("div", { class: "row" }, all("All", true), all("None", false), from.field, to.field),
        h("div", { class: "tick-list" }, ...boxes.map((b) => b.field)), counted),
      h("fieldset", null, h("legend", null, "Montages through an enhancement too"),
        h("p", { class: "small" }, "Under each night stands its featureless twin: what both show is the instrument. Each takes longer to make."),
        h("div", { class: "tick-list" }, ...looks.map((l) => l.field)))),
    stale, h("div", { class: "row" }, button));
  return {
    root: panel.section,
    /** @param {boolean} on */
    busy(on) { busy = on; count(); },
    /** What was chosen for the season that is there. @param {Season} season */
    from(season) {
      const there = season.is_there && season.record;
      stale.hidden = !(there && season.is_stale);
      stale.textContent = "The season below is out of date: since it was made a night was measured again, has gone or has come. Make it again.";
      button.textContent = there ? "Make the season again" : "Make the season";
      panel.details.open = !there || season.is_stale;
      if (!there || !season.record) return;
      const times = new Set(season.record.nights.map((n) => n.mid_utc));
      // a night that was measured again has another middle: then all are taken
      if (usable.some((n) => times.has(n.mid_utc))) choose((n) => times.has(n.mid_utc) || season.is_stale);
      for (const l of looks) l.input.checked = season.figures.some((f) => f.name === `${MONTAGE}-${l.method.name}`);
    },
  };
}

/** @param {string} title @param {...(Node|string|null|undefined|false)} children */
function part(title, ...children) {
  const id = newId();
  return h("section", { "aria-labelledby": id }, h("h3", { id }, title), ...children);
}

/** Side by side where there is room. @param {...(Node|string|null|undefined|false)} children */
const beside = (...children) => h("div", { class: "beside" }, ...children);

/**
 * @param {HTMLElement} place @param {Season} season @param {SeasonRecord} r @param {Map<string, string>} looks  titles of the montages @param {Context} context
 * @returns {(() => void)[]} ends what was drawn
 */
function drawSeason(place, season, r, looks, context) {
  /** @type {(() => void)[]} */
  const stops = [];
  const where = (/** @type {string} */ file) => `api/season/figures/${file}?v=${season.made_utc}`;
  const figure = (/** @type {string} */ name) => season.figures.find((f) => f.name === name);
  /** @template {{root: HTMLElement, stop: () => void}} T @param {T} made */
  const put = (made) => { stops.push(made.stop); return made.root; };
  const open = (/** @type {string} */ utc) => {
    const night = context.campaign.nights.find((n) => n.mid_utc === utc);
    if (night) context.go("night", night.id);
    else context.announce("This night is no longer in the campaign's ledger as it was.");
  };
  const file = (/** @type {string} */ name, /** @type {string} */ words) => season.files.includes(name) && h("li", null, h("a", { href: `api/season/files/${name}`, download: name }, words));
  const simulated = r.nights.filter((n) => n.simulated).length;

  const list = (/** @type {string[]} */ words) => h("ul", { class: "findings" }, ...words.map((w) => h("li", null, w)));
  const a = r.activity;
  const [periods, expansions] = [r.period_searches ?? [], r.expansions ?? []];

  fill(place,
    simulated > 0 && h("p", { class: "warning" }, simulated === r.nights.length ? "The frames of this season were made by a program: nothing here is about a real comet." : `The frames of ${simulated} of ${r.nights.length} nights were made by a program.`),
    part("What the nights say together", h("p", { class: "finding" }, r.summary), season.made_utc && h("p", { class: "small" }, `Made ${date(season.made_utc)}.`)),
    part("All nights at one scale", timeLine(r, open), ...season.figures.filter((f) => f.name.startsWith(MONTAGE)).sort((f, g) => f.name.length - g.name.length).map((f) => put(montage(r, where, f.name, looks.get(f.name) ?? "the light", f.title))),
      h("details", null, h("summary", null, `Values (${r.nights.length} nights)`), nightsTable(r))),
    part("What changed", r.changes.length ? put(changes(r, where, figure("change")?.title)) : h("p", null, "There are not two nights in one band to compare.")),
    part("Features over the nights", beside(figure("tracks") && put(tracksFigure(r, where)),
      r.tracks.length ? h("ol", { class: "findings" }, ...r.tracks.map((t) => h("li", null, h("strong", null, `${capital(t.kind ?? "feature")} on ${t.points.length} night${t.points.length === 1 ? "" : "s"}`),
        h("dl", null, h("dt", null, "Drift"), h("dd", null, driftWords(t)), h("dt", null, "Direction"), h("dd", null, directionWords(t)), h("dt", null, "Period of its direction"), h("dd", null, periodWords(t.period, t.no_period_because)))))) : h("p", null, "No feature was followed.")),
      ...expansions.map((e) => h("p", null, `Arc at PA ${fixed(e.pa_deg, 0)}° moving outward at ${measured(e.speed_km_s, e.speed_err_km_s, " km/s")} on the sky's plane: ${e.points.map((p) => `${day(p.utc)} ${measured(p.radius_km, p.radius_err_km, " km")}`).join(", ")}.`))),
    part("Periods", periods.length ? h("dl", { class: "findings" }, ...periods.flatMap((p) => [
      h("dt", null, `${capital(p.of)}, ${p.n} nights${p.range_h ? `, searched from ${fixed(p.range_h[0], 1)} to ${fixed(p.range_h[1], 1)} h` : ""}`), h("dd", null, periodWords(p.period, p.because))])) : h("p", null, "No period was looked for.")),
    part("Dust and light", beside(figure("activity") && put(activityFigure(r, where)), figure("light-curve") && put(lightCurve(r, where))),
      ...a.fits.map((f) => h("p", null, fitWords(f))),
      a.asymmetry && h("p", null, `Slope after perihelion minus slope before: ${withError(a.asymmetry.slope_difference, a.asymmetry.slope_difference_err)}.${known(a.asymmetry.ratio) ? ` After over before at ${fixed(a.asymmetry.r_au ?? NaN, 2)} au: ${withError(a.asymmetry.ratio, a.asymmetry.ratio_err)}.` : ""}`),
      h("h4", null, "Outbursts"), a.outbursts.length ? list(a.outbursts.map(outburstWords)) : h("p", null, r.notes.find((n) => n.startsWith("Outbursts")) ?? "No step against the trend is supported."),
      h("h4", null, "Beside other comets"), a.rank && h("p", null, `Among ${a.rank.of} comets that can be compared at ${fixed(a.rank.r_au, 2)} au this one is number ${a.rank.rank}, the dustiest first.`),
      a.comparison.length ? comparison(r) : h("p", null, "No other comet's published values can be set beside these nights.")),
    r.notes.length > 0 && part("What must be known", list(r.notes)),
    part("Files", h("ul", { class: "findings" }, file("season.html", "The season's page, one file that needs no network"), file("season.gif", "The montage as a time-lapse, GIF"), file("season-animated.png", "The montage as a time-lapse, animated PNG in full colour"), file("season.json", "The record, season.json")),
      h("details", null, h("summary", null, "How it was made"), h("p", null, h("code", null, r.provenance.command)), list(r.provenance.methods))));
  return stops;
}

