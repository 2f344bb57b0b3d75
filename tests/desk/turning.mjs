// Records of nights in which a jet swings, taken into a ledger and put together: a season with a period that is found, without a frame.

import { spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { cpSync, mkdirSync, mkdtempSync, readFileSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { measuredNight, program } from "./support.mjs";

export const PERIOD_H = 16.4;
const SWING_DEG = 9;
const NIGHTS = 7;
const A_NIGHT = 3;

function run(folder, ...words) {
  const done = spawnSync(program, words, { cwd: folder, encoding: "utf8" });
  if (done.status !== 0) throw new Error(`fanlight ${words.join(" ")}: ${done.stderr}`);
}

/** @returns {string} a folder with `campaign.toml`, its ledger and `season` */
export function turningSeason() {
  const folder = mkdtempSync(join(tmpdir(), "fanlight-turning-"));
  const night = measuredNight();
  const text = readFileSync(join(night, "result/night.json"), "utf8");
  cpSync(join(night, "campaign.toml"), join(folder, "campaign.toml"));
  cpSync(join(night, "field.csv"), join(folder, "field.csv"));
  const first = Date.parse(JSON.parse(text).mid_utc);
  const folders = [];
  for (let n = 0; n < NIGHTS * A_NIGHT; n += 1) {
    const hours = 24 * Math.floor(n / A_NIGHT) + 2.3 * (n % A_NIGHT) + 0.4 * Math.sin(5 * n);
    const later = (utc) => new Date(Date.parse(utc) + 3.6e6 * hours).toISOString();
    // every instant of the record goes with it
    const record = JSON.parse(text.replace(/"(20\d\d-\d\d-\d\dT[\d:.]+Z)"/g, (_, utc) => `"${later(utc)}"`));
    const turn = SWING_DEG * Math.sin((2 * Math.PI * hours) / PERIOD_H) + 0.4 * Math.sin(77 * n);
    const [jet] = record.morphology.features;
    jet.pa_deg += turn;
    for (const p of jet.ridge) p.pa_deg += turn;
    // and the coma's looks: its light in 24 directions
    const off = (pa) => ((pa - jet.pa_deg + 540) % 360) - 180;
    for (const ring of record.morphology.azimuthal_profiles) ring.contrast = ring.contrast.map((c, i) => c + 0.1 * Math.exp(-0.5 * (off(15 * i + 7.5) / 14) ** 2));
    // no two nights have a frame in common
    const own = (file) => createHash("sha256").update(`${file} ${n}`).digest("hex");
    for (const input of record.provenance.inputs) if (input.role === "light") input.sha256 = own(input.file);
    const place = join(folder, `n${String(n).padStart(2, "0")}`);
    mkdirSync(place);
    writeFileSync(join(place, "night.json"), JSON.stringify(record));
    folders.push(place);
  }
  if (Date.parse(JSON.parse(readFileSync(join(folders[0], "night.json"), "utf8")).mid_utc) - first > 3.6e6) throw new Error("the first night was moved");
  run(folder, "ledger", "import", ...folders, "--campaign", "campaign.toml");
  run(folder, "season", "--campaign", "campaign.toml", "--out", "season");
  return folder;
}
