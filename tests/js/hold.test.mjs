import assert from "node:assert/strict";
import { test } from "node:test";

import { makeTimer } from "../../crewprep/static/crewprep/js/hold.js";

function scene() {
  const said = [];
  let now = 1_000_000;
  let due = null;
  const timer = makeTimer({
    warn: 600,
    onWarn: (left) => said.push(`warn ${left}`),
    onLapse: () => said.push("lapse"),
    now: () => now,
    later: (act, ms) => {
      due = { act, at: now + ms };
      return 1;
    },
    cancel: () => {
      due = null;
    },
  });
  function pass(seconds) {
    const end = now + 1000 * seconds;
    while (due && due.at <= end) {
      now = due.at;
      const { act } = due;
      due = null;
      act();
    }
    now = end;
  }
  return { timer, said, pass, sleep: (seconds) => { now += 1000 * seconds; } };
}

test("warns once ten minutes before, and tells when it has lapsed", () => {
  const { timer, said, pass } = scene();
  timer.set(7200);
  pass(6599);
  assert.deepEqual(said, []);
  pass(1);
  assert.deepEqual(said, ["warn 600"]);
  pass(599);
  assert.deepEqual(said, ["warn 600"]);
  pass(1);
  assert.deepEqual(said, ["warn 600", "lapse"]);
  pass(10_000);
  assert.deepEqual(said, ["warn 600", "lapse"]);
});

test("a renewal puts the warning off, and warns again in its time", () => {
  const { timer, said, pass } = scene();
  timer.set(700);
  pass(200);
  timer.set(7200);
  pass(6500);
  assert.deepEqual(said, ["warn 600"]);
  pass(200);
  assert.deepEqual(said, ["warn 600", "warn 600"]);
});

test("little that is left is told at once; nobody's hold never lapses", () => {
  const { timer, said, pass } = scene();
  timer.set(90);
  assert.deepEqual(said, ["warn 90"]);
  timer.set(null);
  pass(10_000);
  assert.deepEqual(said, ["warn 90"]);
});

test("after a sleep one look tells what is true now", () => {
  const { timer, said, sleep } = scene();
  timer.set(7200);
  sleep(7300);
  timer.look();
  assert.deepEqual(said, ["lapse"]);
});
