/** The night view: sky and twin, with all that looks at them, turns them and measures on them. @module */

/** @import { Context } from "./main.js" */
/** @import { Picture } from "./sky_view.js" */
import * as api from "./api.js";
import { Blink } from "./blink.js";
import { CentrePad } from "./centre_pad.js";
import { choice, drawer, fill, h } from "./dom.js";
import { Features } from "./features.js";
import { FilterPanel, FilterRunner } from "./filter.js";
import { capital, date, day, duration, figures } from "./format.js";
import { Isophotes } from "./isophotes.js";
import { link } from "./link.js";
import { Look } from "./look.js";
import { Measure } from "./measure.js";
import { Grid } from "./pose.js";
import { radialPlots } from "./radial.js";
import { Readout } from "./readout.js";
import { Bars, legend } from "./rim.js";
import { SkyView, crossLines } from "./sky_view.js";
import { words as stretchWords } from "./stretch.js";
import { theme } from "./theme.js";
import { Tiles } from "./tiles.js";
import { timings } from "./timings.js";
import { Unrolled } from "./unrolled.js";

const SAMPLE = 20000;

/** @typedef {"beside"|"held"|"off"} TwinMode */

/**
 * The last night before this one, or the first after it.
 * @param {{mid_utc: string}} night @param {{id: number, mid_utc: string}[]} others
 */
function nightBefore(night, others) {
  const inTime = [...others].sort((a, b) => a.mid_utc.localeCompare(b.mid_utc));
  return (inTime.findLast((n) => n.mid_utc < night.mid_utc) ?? inTime[0])?.id ?? null;
}

/** Every so many values, so that few enough are left. @param {Float32Array} values */
function thinned(values) {
  const step = Math.max(1, Math.floor(values.length / SAMPLE)) | 1;
  const out = new Float32Array(Math.floor(values.length / step));
  for (let i = 0; i < out.length; i += 1) out[i] = values[i * step];
  return out;
}

/**
 * @param {HTMLElement} root
 * @param {Context} context
 * @returns {Promise<() => void>} ends the view
 */
export async function show(root, context) {
  const night = context.night;
  if (!night) {
    fill(root, h("h2", null, "No night yet"), h("p", null, "This campaign has no night with a stack. Make one with `fanlight night`."));
    return () => {};
  }
  if (!night.has_stack) {
    fill(root, h("h2", null, date(night.mid_utc)), h("p", null, night.unusable ?? "This night has no stack to show."), h("p", { class: "muted" }, "Its frames and what was measured are still in the ledger."));
    return () => {};
  }
  const others = Promise.all([api.record(night.id), api.methods()]);
  others.catch(() => {});
  const view = await api.view(night.id);
  const grid = new Grid(view);
  const failed = context.fail;
  const tiles = new Tiles(view, () => {}, failed);
  // the first picture is on its way while the rest is read
  const everywhere = { x0: 0, y0: 0, x1: view.width_px - 1, y1: view.height_px - 1 };
  for (const place of tiles.touching("night", tiles.coarsest, everywhere)) tiles.want(place);
  tiles.fetch();
  const [record, methods] = await others;
  const has = (/** @type {string} */ name) => view.layers.some((l) => l.name === name);
  const hasTwin = has("twin");
  const fileName = `night-${night.mid_utc.slice(0, 10)}`;

  // --- what is chosen
  let layer = "night";
  /** @type {TwinMode} */
  let twinMode = hasTwin ? (matchMedia("(min-width: 60rem)").matches ? "beside" : "held") : "off";
  let swapped = false;
  let sampled = false;

  // --- parts
  const sky = new SkyView(grid, tiles, () => look.painter());
  const isophotes = new Isophotes(sky, record);
  const features = new Features(record, sky, context.announce);
  const look = new Look({
    noise: view.sky_noise,
    changed: () => { sky.draw("below"); caption(); },
    isophotes: (on) => { isophotes.turn(on); caption(); },
    sunRight: view.sunward_pa_deg === null ? null : (on) => { sky.setTurned(on ? 270 - /** @type {number} */ (view.sunward_pa_deg) : 0); caption(); },
  });
  const centre = new CentrePad(grid, () => { runner.changed(); unrolled.refresh(); sky.draw("above"); });
  const dividers = context.campaign.nights.filter((n) => n.has_stack && n.id !== night.id);
  const panel = new FilterPanel({ methods: methods.filter((m) => !m.needs_other_night || context.campaign.nights.length > 1), nights: dividers, before: nightBefore(night, dividers), scale_arcsec: view.scale_arcsec, reach_px: Math.floor(Math.hypot(view.width_px, view.height_px) / 2), changed: () => { runner.changed(); refresh(); unrolled.refresh(); } });
  const blink = new Blink(view.layers.filter((l) => l.name !== "sigma"), { changed: () => { runner.refresh(); refresh(); }, announce: context.announce });
  const runner = new FilterRunner(view, sky, {
    filter: () => panel.filter, centre: () => centre.step(), layers: () => (blink.on ? blink.chosen : [layer]), twin: () => twinMode !== "off",
    arrived: () => { refresh(); readout.refresh(); }, failed, refused: (words) => { refresh(); readout.refresh(); panel.sayRefused(words); }, busy: (on) => { stage.setAttribute("aria-busy", String(on)); working.hidden = !on; },
  });
  const readout = new Readout(sky, tiles, (x, y) => {
    const name = shownLayer();
    const result = runner.results.get(name);
    if (!result) {
      const there = name === "night" ? null : tiles.value(name, x, y);
      return there && Number.isFinite(there.value) ? `${titleOf(name)}: ${figures(there.value / grid.area_arcsec2, 3)} e⁻/s/arcsec²` : null;
    }
    const say = (/** @type {import("./raster.js").Raster|null} */ r, /** @type {string} */ who) => { const v = r?.value(x, y); return v === null || v === undefined ? null : `${who} ${figures(v, 3)}`; };
    return `${[say(result.night, "night"), say(result.twin, "twin")].filter(Boolean).join(", ")} ${result.head.unit}`;
  });
  const measure = new Measure(record, sky, { night: night.id, observers: context.campaign.observers, announce: context.announce, failed });
  const polar = () => { const at = sky.cursor.get(); return at && grid.polar(at.x, at.y); };
  const unrolled = new Unrolled(grid, record, {
    name: fileName, filter: () => panel.filter, centre: () => centre.step(), layer: () => layer, twin: hasTwin, marks: features.marks, failed,
    cursor: polar, pointed: (pa, rho) => { const [x, y] = grid.atPolar(pa, rho); sky.cursor.set({ x, y }); },
  });
  const radial = radialPlots(record, view, fileName, { after: sky.first, failed, cursor: () => polar()?.rho_arcsec ?? null, hovered: (rho) => {
    const [x, y] = grid.atPolar(polar()?.pa_deg ?? view.sunward_pa_deg ?? 0, rho);
    sky.cursor.set({ x, y });
  } });
  const bars = new Bars();
  sky.lines.push(centre.lines(), crossLines(sky));
  timings.held_bytes = () => tiles.held_bytes() + runner.held_bytes();

  // --- what the panes show
  const shownLayer = () => blink.layer() ?? layer;
  const titleOf = (/** @type {string} */ name) => view.layers.find((l) => l.name === name)?.title ?? name;
  const nightDay = day(night.mid_utc);
  /** @param {string} name @param {boolean} twin @returns {Picture} */
  function picture(name, twin) {
    const result = runner.results.get(name);
    const method = result && methods.find((m) => m.name === result.name);
    const ownTwin = shownLayer().startsWith("night-") ? `featureless twin of ${nightDay}` : titleOf("twin");
    const title = (twin ? ownTwin : titleOf(name)) + (method ? `: ${method.title}` : "");
    return { layer: twin ? "twin" : name, raster: result ? (twin ? result.twin : result.night) : null, title: capital(title), twin };
  }
  /** @type {string} */
  let seenResult = "";
  let seenKind = "";
  function refresh() {
    const name = shownLayer();
    const result = runner.results.get(name);
    const key = result ? `${name} ${result.key} ${result.head.x_px} ${result.head.y_px} ${result.head.level}` : name === "sigma" ? "errors" : "light";
    const kind = result?.name ?? key;
    // pictures that blink share one stretch: what changes between them is the comet's
    if (key !== seenResult && !(blink.on && kind === seenKind)) {
      seenResult = key;
      seenKind = kind;
      if (result) look.show({ name: result.name, values: result.head.values, unit: result.head.unit, plain: false }, thinned(result.night.values), result.head);
      else showPlain();
      panel.say(result?.head ?? null);
    }
    const hasOwnTwin = hasTwin && name !== "sigma";
    const swap = swapped && hasOwnTwin;
    const beside = twinMode === "beside" && hasOwnTwin;
    sky.soon = () => (result ? [] : [...(twinMode === "held" ? ["twin"] : []), ...(blink.on ? blink.chosen : [])]);
    sky.show(picture(name, swap), beside ? picture(name, !swap) : null);
    isophotes.refresh();
    caption();
  }

  /** A layer's coarsest values, as soon as they are here. @param {string} name */
  function coarse(name) {
    const places = tiles.touching(name, tiles.coarsest, everywhere);
    const held = places.flatMap((p) => tiles.floats.get(`${p.layer}/${p.level}/${p.column}/${p.row}`) ?? []);
    if (held.length < places.length) {
      places.forEach((p) => tiles.want(p));
      tiles.fetch();
      return null;
    }
    const joined = new Float32Array(held.reduce((n, f) => n + f.values.length, 0));
    let at = 0;
    for (const f of held) { joined.set(f.values, at); at += f.values.length; }
    return joined;
  }
  /** The light, or its errors, without a filter. */
  function showPlain() {
    const errors = seenResult === "errors";
    const own = view.layers.find((l) => l.name === (errors ? "sigma" : "night"));
    const sample = coarse(errors ? "sigma" : "night");
    sampled = sample !== null;
    look.show({ name: errors ? "sigma" : "", values: "level", unit: own?.unit ?? "e⁻/s", plain: !errors }, sample ?? new Float32Array(0), errors ? null : own ?? null);
  }
  /** The coarsest tiles make the histogram, and the stretch where the server advises none. */
  function sample() {
    if (!sampled && (seenResult === "light" || seenResult === "errors")) showPlain();
  }

  // --- the page
  const button = (/** @type {string} */ words, /** @type {string} */ label, /** @type {() => void} */ run) => h("button", { type: "button", "aria-label": label, title: label, onclick: run }, words);
  const swapButton = h("button", { type: "button", "aria-pressed": "false", title: "Also while the key T is held", onclick: () => swap(!swapped) }, "Show the twin");
  const working = h("span", { class: "working small muted", hidden: true }, "working…");
  const layers = choice("Layer", view.layers.filter((l) => !l.name.startsWith("twin") || l.name === "twin-smooth").map((l) => [l.name, capital(l.title)]), layer, (name) => {
    layer = name;
    runner.refresh();
    refresh();
    unrolled.refresh();
  });
  const twin = choice("Twin", [["beside", "beside the night"], ["held", "in its place: button or T"], ["off", "not shown"]], twinMode, (mode) => {
    twinMode = /** @type {TwinMode} */ (mode);
    swap(false);
    runner.refresh();
  });
  function swap(/** @type {boolean} */ on) {
    swapped = on && twinMode !== "off";
    swapButton.setAttribute("aria-pressed", String(swapped));
    swapButton.textContent = swapped ? "Show the night" : "Show the twin";
    swapButton.hidden = twinMode !== "held";
    refresh();
  }
  function comet() {
    const search = record.morphology.search;
    if (sky.isWhole && search) sky.closeTo(search.outer_arcsec);
    else if (sky.pose) sky.setPose({ ...sky.pose, east: 0, north: 0 });
  }
  const toolbar = h("div", { class: "toolbar", role: "group", "aria-label": "Sky" },
    h("div", { class: "group" }, button("−", "Smaller (key −)", () => sky.zoom(Math.SQRT1_2)), button("+", "Larger (key +)", () => sky.zoom(Math.SQRT2)), button("Whole", "Whole stack (key 0)", () => sky.fit()),
      button("Comet", "Comet into the middle; from the whole stack, as close as the part that was searched for features", comet), button("1:1", "1:1, one pixel of the stack for each of the screen", () => { if (sky.pose) sky.setPose({ ...sky.pose, scale: grid.arcsec_per_px * sky.panes[0].ratio }); })),
    h("div", { class: "group" }, layers.field, hasTwin ? twin.field : h("p", { class: "small" }, "This night has no twin: structure was not analysed."), hasTwin && swapButton, working));
  const captionText = h("p", { class: "caption" });
  function caption() {
    const method = runner.results.get(shownLayer());
    const facts = [date(night?.mid_utc ?? ""), night?.exposure_s ? `${duration(night.exposure_s)} in ${night.n_frames ?? record.stack.n_frames} frames` : null, night?.band ? `band ${night.band}` : null, night?.telescope, night?.site].filter(Boolean).join(" · ");
    const turned = sky.turned_deg ? "Turned so that the Sun is to the right." : "North up, east left.";
    const how = method ? ` ${method.head.how}` : "";
    const other = layer.startsWith("night-") ? `${capital(titleOf(layer))}, laid on the grid of ` : "";
    fill(captionText, other, h("b", null, facts), ` ${turned} Stretch: ${stretchWords(look.stretch, look.map, look.kind.unit)}${hasTwin && twinMode !== "off" ? ", the same for night and twin" : ""}.${isophotes.on ? ` Isophotes in ${isophotes.unit()}, smoothed to the seeing.` : ""} Hatched: no light measured.${features.marks.some((m) => m.drawn) ? " Lines, drawn over the night alone: solid where supported, dashed where provisional, crosses where an artefact; over the twin and other nights dotted where this night has the chosen feature." : ""}${how}`);
  }
  const stage = h("section", { class: "stage", "aria-label": "Sky" }, toolbar, sky.root,
    h("p", { id: "sky-keys", class: "hidden" }, "Arrow keys move the sky, plus and minus change its size, zero shows the whole. Shift with arrow keys moves the cross, with Alt by one pixel; C puts it on the comet; Enter chooses a feature there."),
    h("div", { class: "under" }, bars.root, legend()), readout.root, captionText);
  const plots = h("section", { class: "below", "aria-label": "Plots" }, unrolled.section, drawer("Profile and growth", { open: true }, radial.root).section,
    drawer("In words", { open: true }, h("p", { class: "summary" }, record.summary)).section);
  const tools = h("section", { class: "tools", "aria-label": "Tools" }, look.section, panel.section, centre.section, features.section, measure.section, blink.section);
  fill(root, h("div", { class: "night" }, h("h2", { class: "hidden" }, `Night of ${day(night.mid_utc)}`), stage, tools, plots));

  // --- linked together
  const off = [
    sky.cursor.listen((at) => {
      readout.refresh();
      if (!at) return;
      for (const name of ["night", "sigma"]) if (has(name)) tiles.wantAt(name, at.x, at.y);
      tiles.fetch();
      linked();
    }),
    sky.moved.listen((pose) => {
      if (!pose) return;
      bars.show(pose.scale, view.km_per_arcsec, 240);
      clearTimeout(settle);
      settle = setTimeout(() => runner.refresh(), 40);
      isophotes.refresh();
    }),
    theme.listen(() => { look.themed(); unrolled.draw(); sky.draw("below"); }),
    link.listen((now) => {
      if (now !== "here") return;
      // what nobody answered is asked again
      tiles.refused.clear();
      runner.refresh();
      unrolled.refresh();
      sky.draw("below");
    }),
  ];
  let settle = 0;
  let linking = 0;
  function linked() {
    linking ||= requestAnimationFrame(() => {
      linking = 0;
      const p = polar();
      if (!p) return;
      unrolled.setCursor(p);
      radial.setCursor(p.rho_arcsec);
    });
  }
  sky.clicked = (x, y, reach, pane) => { if (!features.clickedAt(x, y, reach, pane) && !pane) context.announce(readout.words()); };
  features.onChosen = (mark) => { if (mark) features.evidence.scrollIntoView({ block: "nearest" }); };
  /** @param {KeyboardEvent} e */
  function key(e) {
    if (!context.singleKeys() || e.ctrlKey || e.metaKey || e.altKey) return;
    const typing = e.target instanceof HTMLElement && e.target.closest("input:not([type=range]):not([type=checkbox]), select, textarea, dialog");
    if (typing) return;
    if (e.key === "t" || e.key === "T") {
      if (e.type === "keydown" && e.repeat) return;
      swap(e.type === "keydown");
    } else if (e.type === "keydown" && !e.repeat && (e.key === "b" || e.key === "B")) {
      blink.turn(!blink.on);
    }
  }
  /** @param {KeyboardEvent} e */
  function undoKey(e) {
    if (!(e.ctrlKey || e.metaKey) || e.key.toLowerCase() !== "z" || (e.target instanceof HTMLElement && e.target.closest("input[type=text], textarea"))) return;
    e.preventDefault();
    if (e.shiftKey) measure.redo();
    else measure.undo();
  }
  document.addEventListener("keydown", key);
  document.addEventListener("keyup", key);
  document.addEventListener("keydown", undoKey);

  tiles.arrived = () => { sample(); sky.draw("below"); readout.refresh(); };
  swap(false);
  measure.load();
  sky.first.then(() => unrolled.refresh());

  return () => {
    document.removeEventListener("keydown", key);
    document.removeEventListener("keyup", key);
    document.removeEventListener("keydown", undoKey);
    clearTimeout(settle);
    cancelAnimationFrame(linking);
    for (const end of off) end();
    for (const part of [blink, runner, unrolled, radial, measure, isophotes, sky, tiles]) part.stop();
  };
}
