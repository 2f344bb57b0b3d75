// Requests made from the description of the addresses, and from what is none: schemathesis (PyPI), named by `FANLIGHT_SCHEMATHESIS`.

import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { openDesk, root } from "./support.mjs";

let desk;

before(async () => { desk = await openDesk(); });
after(() => desk?.close());

test("no request breaks the server, and every answer is one that the description has", () => {
  const program = process.env.FANLIGHT_SCHEMATHESIS;
  assert.ok(program, "FANLIGHT_SCHEMATHESIS names no program; scripts/test sets it");
  const folder = mkdtempSync(join(tmpdir(), "fanlight-fuzz-"));
  // what the description cannot say (which names are known, that one number is larger than another) is refused rightly
  const call = ["--config-file", join(root, "tests/desk/schemathesis.toml"), "run", `${desk.address}api/openapi.json`, "--url", desk.address.slice(0, -1),
    "--phases", "coverage,fuzzing", "-n", process.env.DESK_FUZZ_N ?? "20", "--seed", "20310324", "--exclude-checks", "positive_data_acceptance",
    // runs are real, and have tests of their own
    "--exclude-path", "/api/jobs"];
  const run = spawnSync(program, call, { encoding: "utf8", cwd: folder, timeout: 600_000 });
  rmSync(folder, { recursive: true, force: true });
  assert.equal(run.status, 0, run.stdout.slice(-6000));
  assert.doesNotMatch(desk.said(), /panicked/);
});
