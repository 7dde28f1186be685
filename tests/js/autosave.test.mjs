// Saving as one goes: one request at a time, later and later after failures, and a stop where another window was first.

import assert from "node:assert/strict";
import test from "node:test";

import { makeAutosave } from "../../crewprep/static/crewprep/js/autosave.js";

function scene(answers) {
  const waits = [];
  const sent = [];
  const states = [];
  const conflicts = [];
  const saver = makeAutosave({
    revision: 0,
    send: async (work, seen) => {
      sent.push([work, seen]);
      const answer = answers.shift();
      if (answer instanceof Error) throw answer;
      return answer;
    },
    onState: (state) => states.push(state),
    onConflict: (kept) => conflicts.push(kept),
    later: (act, ms) => waits.push({ act, ms }),
  });
  const pass = async () => {
    waits.shift().act();
    await new Promise((resolve) => setImmediate(resolve));
  };
  return { saver, waits, sent, states, conflicts, pass };
}

test("changes within two seconds go as one, over the revision that was seen", async () => {
  const { saver, waits, sent, states, pass } = scene([{ revision: 1 }, { revision: 2 }]);
  saver.changed("a");
  saver.changed("b");
  assert.deepEqual(waits.map(({ ms }) => ms), [2000]);
  await pass();
  assert.deepEqual(sent, [["b", 0]]);
  assert.equal(states.at(-1), "saved");
  saver.changed("c");
  await pass();
  assert.deepEqual(sent.at(-1), ["c", 1]);
});

test("what changes while a request is under way goes after it", async () => {
  const { saver, waits, sent, states, pass } = scene([{ revision: 1 }, { revision: 2 }]);
  saver.changed("a");
  const first = pass();
  saver.changed("b");
  saver.flush();
  assert.equal(sent.length, 1, "one at a time");
  await first;
  assert.equal(states.includes("saved"), false);
  assert.equal(waits.length, 1);
  await pass();
  assert.deepEqual(sent.at(-1), ["b", 1]);
});

test("after a failure it tries again later and later, with the newest", async () => {
  const { saver, waits, sent, states, pass } = scene([new Error("gone"), { detail: "Sign in first." }, { revision: 5 }]);
  saver.changed("a");
  await pass();
  assert.deepEqual([states.at(-1), waits[0].ms], ["failed", 4000]);
  saver.changed("b");
  await pass();
  assert.deepEqual([states.at(-1), waits[0].ms], ["failed", 8000]);
  await pass();
  assert.deepEqual(sent.map(([work]) => work), ["a", "b", "b"]);
  assert.equal(saver.revision, 5);
});

test("an overtaken window sends nothing until it is told how to go on", async () => {
  const { saver, waits, sent, conflicts, pass } = scene([{ kept: { revision: 7 } }, { revision: 8 }]);
  saver.changed("a");
  await pass();
  assert.deepEqual(conflicts, [{ revision: 7 }]);
  saver.changed("b");
  await saver.flush();
  assert.equal(waits.length, 0);
  assert.equal(sent.length, 1);
  saver.goOn(7, "b");
  await pass();
  assert.deepEqual(sent.at(-1), ["b", 7]);
});
