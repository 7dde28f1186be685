import assert from "node:assert/strict";
import { test } from "node:test";
import { commandOf } from "../../crewprep/static/crewprep/js/keys.js";

test("one key corrects the grid, and none does when letters are off", () => {
  const fixes = { h: "half-beat", H: "beat", b: "one", "-": "half", "+": "double", "<": "earlier", ">": "later" };
  for (const [key, fix] of Object.entries(fixes)) {
    assert.deepEqual(commandOf({ key }), { do: "grid", fix });
    assert.equal(commandOf({ key }, { letters: false }), null);
  }
  assert.deepEqual(commandOf({ key: "t" }), { do: "tap" });
});

test("the browser keeps its own keys", () => {
  assert.equal(commandOf({ key: "h", ctrlKey: true }), null);
  assert.equal(commandOf({ key: "-", metaKey: true }), null);
  assert.equal(commandOf({ key: "t", altKey: true }), null);
});

test("keys of listening and of the review", () => {
  assert.deepEqual(commandOf({ key: "Enter", shiftKey: true }), { do: "play-here", lead: true });
  assert.deepEqual(commandOf({ key: "o" }), { do: "compare" });
  assert.deepEqual(commandOf({ key: "c" }), { do: "remark" });
  assert.equal(commandOf({ key: "c", ctrlKey: true }), null);
});
