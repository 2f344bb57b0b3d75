/** The frames view: quality over the night, frames left out or brought back by hand, and the night measured again without them. @module */

import * as api from "./api.js";
import { fill, h } from "./dom.js";
import { date } from "./format.js";
import { flatFrame, FRAME_COLUMNS, isMeasured, markLegend, strips } from "./frame_quality.js";
import { jobBoard } from "./jobs.js";
import { differenceTable, kept } from "./night_difference.js";
import { csvButton, nightLine, quiet, spoken, table } from "./tables.js";
import { memory } from "./theme.js";

/** @import { Context } from "./main.js" */
/** @import { Job } from "./season_types.js" */
/** @import { FrameRecord, Standing } from "./frame_quality.js" */
/** @import { Kept } from "./night_difference.js" */

/** As the record says it. */
const BY_HAND = "left out by the user";
const KEPT = "fanlight-desk-before-";

/** @typedef {{command: string, can_repeat: boolean, why_not: string|null, left_out_by_hand: string[], frames_folder: string|null}} Call */
/** @typedef {{job: number, before: Kept}} Was */

/** Whether a pattern with `*` and `?` names this file, as the command line takes it. @param {string} pattern @param {string} file */
function names(pattern, file) {
  const regex = new RegExp(`^${pattern.replace(/^\.\//, "").replace(/[.+^${}()|[\]\\]/g, "\\$&").replaceAll("*", ".*").replaceAll("?", ".")}$`, "s");
  return regex.test(file) || (!pattern.includes("/") && regex.test(file.split("/").at(-1) ?? ""));
}

/** What was kept of the record before the last run from here. @param {string} key @returns {Was|null} */
function earlier(key) {
  try { return JSON.parse(memory.read(key) ?? "null"); } catch { return null; }
}

/**
 * @param {HTMLElement} root
 * @param {Context} context
 * @returns {Promise<() => void>} ends the view
 */
export async function show(root, context) {
  const { night } = context;
  if (!night) {
    fill(root, h("h2", null, "Frames"), h("p", null, "This campaign has no night yet."));
    return () => {};
  }
  const { id, folder } = night;
  const key = KEPT + (folder ?? id);
  const page = h("div", null);
  const changed = h("div", null);
  /** @type {{stop: () => void, busy: (on: boolean) => void}|null} */
  let list = null;
  let running = false;
  const board = jobBoard(context.campaign, context.announce, {
    running: (on) => { running = on; list?.busy(on); },
    ended: (job) => { ended(job).catch(context.fail); },
  });

  /** @param {Job} job */
  async function ended(job) {
    if (job.kind !== "night" || job.night !== id || job.state !== "done") return;
    const campaign = await context.reload();
    const now = campaign.nights.find((n) => n.id === id) ?? campaign.nights.find((n) => n.folder && n.folder === folder);
    if (now && now.id !== id) {
      context.go("frames", now.id);
      return;
    }
    const record = await load();
    const was = earlier(key);
    if (was?.job === job.id) tellChange(kept(record), was, job);
    // the table that had the focus is another one now
    if (document.activeElement === document.body) changed.querySelector("h3")?.focus();
  }

  async function load() {
    const [record, call] = await Promise.all([api.record(id), /** @type {Promise<Call>} */ (api.get(`api/nights/${id}/call`))]);
    list?.stop();
    list = frameList(page, /** @type {FrameRecord[]} */ (record.frames), call, context, night?.mid_utc.slice(0, 10) ?? "night", nightLine(record), async (leaveOut) => {
      const job = await board.start({ kind: "night", night: id, leave_out: leaveOut });
      if (job !== null) memory.write(key, JSON.stringify({ job, before: kept(record) }));
    });
    list.busy(running);
    return record;
  }

  /** @param {Kept} after @param {Was} was @param {Job|undefined} job */
  function tellChange(after, was, job) {
    fill(changed, h("section", { "aria-label": "What changed" },
      h("h3", { tabindex: -1 }, job?.ended_utc ? `What the run of ${date(job.ended_utc)} changed` : "What the last run changed"),
      differenceTable(was.before, after),
      h("p", null, quiet("Put this away", () => { memory.write(key, null); fill(changed); }))));
  }

  fill(root, h("h2", null, `Frames of ${date(night.mid_utc)}`), board.root, changed, page);
  const record = await load();
  try {
    const jobs = await board.resume();
    const was = earlier(key);
    const job = jobs.find((j) => j.id === was?.job);
    // a desk that was started again knows no jobs, yet the record may be new
    const now = kept(record);
    if (was && (job ? job.state === "done" : JSON.stringify(now) !== JSON.stringify(was.before))) tellChange(now, was, job);
    if (job?.state === "failed" || job?.state === "cancelled") memory.write(key, null);
  } catch (error) { context.fail(error); }

  return () => {
    board.stop();
    list?.stop();
  };
}

/**
 * @param {HTMLElement} place
 * @param {FrameRecord[]} frames
 * @param {Call} call
 * @param {Context} context
 * @param {string} name  of the files to save
 * @param {string} comment  first line of the plots' CSV files
 * @param {(leaveOut: string[]) => void} measure
 */
function frameList(place, frames, call, context, name, comment, measure) {
  const wasOut = frames.map((f) => !f.used && f.rejected_because === BY_HAND);
  const rejected = frames.map((f, i) => !f.used && !wasOut[i]);
  const out = new Set(frames.flatMap((f, i) => (wasOut[i] ? [f.file] : [])));
  // such as darks that were left out: not to be chosen here, and kept
  const others = call.left_out_by_hand.filter((p) => !frames.some((f) => names(p, f.file)));
  /** @param {number} i @returns {Standing} */
  const standing = (i) => (rejected[i] ? "rejected" : out.has(frames[i].file) ? "out" : "in");
  let busy = false;

  const said = h("output", { class: "said" }, "Point at a frame, or walk with the arrow keys; a click, Space or Enter leaves it out or brings it back.");
  const boxes = frames.map((f, i) => {
    if (rejected[i]) return null;
    const box = h("input", { type: "checkbox", "aria-label": `${f.file} in the stack` });
    box.checked = !out.has(f.file);
    box.addEventListener("change", () => set(i, box.checked));
    return box;
  });
  /** @param {FrameRecord} f @param {number} i */
  const words = (f, i) => {
    if (rejected[i]) return f.rejected_because ?? "left out by the program";
    const is = out.has(f.file);
    if (is !== wasOut[i]) return is ? "to be left out at the next run" : "to be brought back at the next run";
    // what a run leaves out by hand it does not look at
    return is ? `left out by hand${isMeasured(f) ? "" : ", not measured"}` : "used";
  };
  const states = frames.map((f, i) => h("span", null, words(f, i)));
  const list = table(`All ${frames.length} frames of the night`, frames,
    [FRAME_COLUMNS[0], ["In the stack", (_, i) => boxes[i] ?? "out"], ["Standing", (_, i) => states[i], "words"], ...FRAME_COLUMNS.slice(1)],
    { pointed: (i) => point(i, false), rowClass: (i) => (rejected[i] ? "rejected" : null), pressed: toggle });
  const plots = strips(context.night?.id ?? 0, frames, `frames-${name}`, comment, { standing, pointed: (i) => point(i, true), toggle });

  /** @param {number|null} i @param {boolean} scroll */
  function point(i, scroll) {
    plots.point(i);
    list.mark(i, scroll);
    if (i !== null) said.textContent = `${spoken(FRAME_COLUMNS, frames[i])}; ${words(frames[i], i)}`;
  }
  /** @param {number} i */
  function toggle(i) {
    if (rejected[i]) context.announce(`${frames[i].file} stays out: ${frames[i].rejected_because ?? "left out by the program"}`);
    else set(i, out.has(frames[i].file));
  }
  /** @param {number} i @param {boolean} used */
  function set(i, used) {
    const { file } = frames[i];
    if (used) out.delete(file);
    else out.add(file);
    const box = boxes[i];
    if (box) box.checked = used;
    states[i].textContent = words(frames[i], i);
    list.lines[i].classList.toggle("changed", out.has(file) !== wasOut[i]);
    plots.remark(i);
    count();
    context.announce(`${file} ${used ? "in the stack" : "left out"}`);
  }

  const tally = h("p", null);
  const button = h("button", { type: "button", class: "main", onclick: () => measure([...others, ...frames.filter((f) => out.has(f.file)).map((f) => f.file)]) }, "Measure again");
  const undo = quiet("As it was measured", () => {
    frames.forEach((f, i) => { if (!rejected[i] && out.has(f.file) !== wasOut[i]) set(i, !wasOut[i]); });
  });
  function count() {
    const n = frames.map((_, i) => standing(i));
    const of = (/** @type {Standing} */ s) => n.filter((x) => x === s).length;
    const steps = frames.filter((f, i) => !rejected[i] && out.has(f.file) !== wasOut[i]).length;
    tally.textContent = `${frames.length} frames: ${of("in")} for the stack, ${of("out")} left out by hand, ${of("rejected")} left out by the program. ${steps ? `${steps} ${steps === 1 ? "is" : "are"} not yet as measured.` : "All as measured."}`;
    button.textContent = steps ? `Measure again with ${of("in")} frames` : "Measure again";
    button.disabled = busy || !call.can_repeat || steps === 0 || of("in") === 0;
    undo.disabled = steps === 0;
  }
  count();

  const gone = frames.filter((_, i) => rejected[i]);
  fill(place,
    h("section", { "aria-label": "Choice of frames" }, tally, h("div", { class: "row" }, button, undo),
      !call.can_repeat && h("p", { class: "warning" }, `The night cannot be measured again from here: ${call.why_not ?? "its call is not known"}`),
      h("p", { class: "small" }, "Only what is wrong with a frame is a reason to leave it out. Frames chosen for what they do to the result make its probabilities untrue.")),
    h("section", { class: "over-the-night", "aria-label": "Quality over the night" }, h("h3", null, "Over the night"), markLegend(), plots.root, said),
    h("section", { "aria-label": "Frames that the program left out" }, h("h3", null, "Left out by the program"),
      gone.length ? h("ul", { class: "findings" }, ...gone.map((f) => h("li", null, h("strong", null, f.file), ` ${f.rejected_because ?? "no reason was recorded"}`))) : h("p", null, "None."),
      h("p", { class: "small" }, "These stay out whatever is chosen here. Each run judges every frame anew by the same limits against the night's other frames, so its list may change with them; none is brought back by hand.")),
    h("section", { "aria-label": "Table of frames" }, h("h3", null, "All frames"),
      h("div", { class: "downloads" }, csvButton(`frames-${name}`, "all frames with all values", () => frames.map(flatFrame))), list.root,
      h("details", null, h("summary", null, "The call that is repeated"), h("p", null, h("code", null, call.command)))));
  return {
    stop: plots.stop,
    /** @param {boolean} on */
    busy(on) { busy = on; count(); },
  };
}
