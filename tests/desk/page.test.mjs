// The page's files by themselves: types, no word to anybody else. Their size, as served, is tested with the server.

import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";
import { root } from "./support.mjs";

const folder = join(root, "crates/fanlight-present/desk");
const files = readdirSync(folder).filter((name) => /\.(js|css|html)$/.test(name));

test("types hold", () => {
  const checked = spawnSync(join(root, "tests/desk/node_modules/.bin/tsc"), ["--project", folder], { encoding: "utf8" });
  assert.equal(checked.status, 0, checked.stdout);
});

test("the page is all its own", () => {
  for (const name of files) {
    const text = readFileSync(join(folder, name), "utf8");
    const addresses = [...text.matchAll(/https?:\/\/[^\s"'`)]+/g)].map((m) => m[0]).filter((a) => a !== "http://www.w3.org/2000/svg");
    assert.deepEqual(addresses, [], name);
    assert.doesNotMatch(text, /\binnerHTML\b|\beval\(|insertAdjacentHTML/, name);
  }
});
