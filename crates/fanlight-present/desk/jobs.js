/**
 * Work that the desk does by itself: a night measured again, a season made. It runs in the desk, not in the page: a page that
 * is opened again finds it here.
 * @module
 */

import { get, post, Refused, remove } from "./api.js";
import { fill, h, newId } from "./dom.js";
import { capital, day, duration, known } from "./format.js";

/** @import { Job } from "./season_types.js" */
/** @import { Campaign } from "./types.js" */

const POLL_MS = 700;
/** When the page is not seen, or the desk does not answer. */
const SLOW_MS = 3000;
/** A screen reader hears of a new step at most so often. */
const SAY_MS = 9000;
const LINES = 12;

/** @param {Job} job @param {Campaign} campaign */
function jobTitle(job, campaign) {
  if (job.kind === "season") return "Making the season";
  const night = campaign.nights.find((n) => n.id === job.night);
  return night ? `Measuring the night of ${day(night.mid_utc)} again` : "Measuring a night again";
}

/** What became of it. @param {Job} job */
function outcome(job) {
  const words = { running: "Running", done: "Done", failed: "It failed", cancelled: "Cancelled" }[job.state];
  return job.ended_utc ? `${words} after ${duration(Math.max(0, (Date.parse(job.ended_utc) - Date.parse(job.started_utc)) / 1000))}` : words;
}

/** An error and what can be done about it. @param {unknown} error */
export function trouble(error) {
  const [words, hint] = error instanceof Refused ? [error.message, error.hint] : [error instanceof Error ? error.message : String(error), null];
  return h("div", { class: "trouble", role: "alert" }, h("p", null, h("strong", null, capital(words))), hint && h("p", null, capital(hint)));
}

/**
 * @param {Campaign} campaign
 * @param {(words: string) => void} announce
 * @param {object} on
 * @param {(job: Job) => void} on.ended  a job that ran while this page looked on has come to its end
 * @param {(running: boolean) => void} [on.running]
 */
export function jobBoard(campaign, announce, on) {
  const heading = newId();
  const title = h("h3", { id: heading, class: "job-title", tabindex: -1 });
  const step = h("p", null);
  const bar = h("progress", { "aria-labelledby": heading });
  const count = h("span", { class: "small" });
  const lines = h("pre", { class: "job-lines", tabindex: 0, "aria-label": "Last lines that the program said" });
  const said = h("details", null, h("summary", null, "What the program says"), lines);
  const cancel = h("button", { type: "button", onclick: stopJob }, "Cancel");
  const cancelNote = h("p", { class: "small" }, "This goes on when the page is closed; come back to see it. Results are replaced only when all is finished: cancelling leaves the earlier ones as they are.");
  const end = h("div", null);
  const working = h("div", null, step, h("div", { class: "job-bar" }, bar, count, cancel), cancelNote);
  const root = h("section", { class: "job", "aria-labelledby": heading, hidden: true }, title, working, end, said);

  /** @type {number|null} */
  let watched = null;
  let timer = 0;
  let alive = true;
  let spokenAt = 0;
  let spokenStep = "";

  /** @param {Job} job */
  function render(job) {
    root.hidden = false;
    title.textContent = jobTitle(job, campaign);
    const running = job.state === "running";
    root.dataset.state = job.state;
    if (running) {
      step.textContent = capital(job.step ?? "starting");
      const { done, of } = job;
      if (known(done) && known(of) && of > 0) [bar.max, bar.value] = [of, done];
      else bar.removeAttribute("value");
      count.textContent = bar.hasAttribute("value") ? `${done} of ${of}` : "";
      fill(end);
    } else {
      // before the button that had the focus goes
      if (working.contains(document.activeElement)) title.focus();
      fill(end, h("p", null, h("strong", null, `${outcome(job)}.`), // a season's is only where its page was put
        job.message && (job.state === "failed" || job.kind === "night") ? ` ${capital(job.message)}` : ""), job.hint && h("p", null, capital(job.hint)));
    }
    working.hidden = !running;
    const text = job.lines.slice(-LINES).join("\n");
    if (lines.textContent !== text) {
      lines.textContent = text;
      lines.scrollTop = lines.scrollHeight;
    }
    said.hidden = text === "";
  }

  /** @param {Job} job */
  function tell(job) {
    if (job.state !== "running") {
      announce(`${jobTitle(job, campaign)}: ${outcome(job)}. ${job.state === "failed" ? job.message ?? "" : ""}`);
      return;
    }
    const words = job.step ?? "started";
    if (words !== spokenStep && Date.now() - spokenAt > SAY_MS) {
      announce(`${jobTitle(job, campaign)}: ${words}`);
      spokenStep = words;
      spokenAt = Date.now();
    }
  }

  /** @param {Job} job */
  function follow(job) {
    watched = job.id;
    spokenStep = "";
    spokenAt = 0;
    cancel.disabled = false;
    render(job);
    tell(job);
    on.running?.(true);
    schedule();
  }

  const schedule = (slow = false) => {
    clearTimeout(timer);
    if (alive) timer = setTimeout(look, slow || document.hidden ? SLOW_MS : POLL_MS);
  };

  async function look() {
    if (watched === null) return;
    try {
      /** @type {Job} */
      const job = await get(`api/jobs/${watched}`);
      if (!alive) return;
      render(job);
      tell(job);
      if (job.state === "running") {
        schedule();
      } else {
        watched = null;
        on.running?.(false);
        on.ended(job);
      }
    } catch (error) {
      if (!alive) return;
      if (error instanceof Refused && error.status === 404) {
        // the desk was started again since
        watched = null;
        working.hidden = true;
        fill(end, trouble(error));
        on.running?.(false);
        return;
      }
      step.textContent = "The desk does not answer at present; asking again.";
      schedule(true);
    }
  }

  async function stopJob() {
    if (watched === null) return;
    title.focus();
    cancel.disabled = true;
    step.textContent = "Cancelling.";
    try {
      await remove(`api/jobs/${watched}`);
    } catch (error) {
      cancel.disabled = false;
      fill(end, trouble(error));
    }
  }

  return {
    root,
    /** Shows what runs, whoever began it; gives all jobs that the desk knows, newest first. @returns {Promise<Job[]>} */
    async resume() {
      /** @type {Job[]} */
      const jobs = await get("api/jobs");
      const running = jobs.find((j) => j.state === "running");
      if (running && alive) follow(running);
      // what failed while nobody looked is not passed over
      else if (jobs[0]?.state === "failed") render(jobs[0]);
      return jobs;
    },
    /** @param {Record<string, unknown>} request @returns {Promise<number|null>} its number; `null` when it was refused and that was said */
    async start(request) {
      try {
        const { id } = await post("api/jobs", request);
        follow(await get(`api/jobs/${id}`));
        // the button that began it is of no use now
        title.focus();
        return id;
      } catch (error) {
        title.textContent = "Not started";
        root.hidden = false;
        root.dataset.state = "failed";
        working.hidden = true;
        said.hidden = true;
        fill(end, trouble(error));
        return null;
      }
    },
    stop() {
      alive = false;
      clearTimeout(timer);
    },
  };
}
