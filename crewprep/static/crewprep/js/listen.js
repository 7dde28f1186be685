// The review page: rows to look at and to listen to without changing anything, what was heard, and a verdict by one key.

import { makeClips } from "./clips.js";
import { nextBar, nextBeat, shiftBeats } from "./grid.js";
import { commandOf } from "./keys.js";
import { leadOf } from "./pieces.js";
import { otherRow, rowEnds, timeAt } from "./places.js";
import { makeRemarks } from "./remarks.js";
import { followClicks, openRows } from "./rows-view.js";
import { makeSay } from "./say.js";
import { lettersOn } from "./tools.js";

const HEARD_US = [500_000, 8_000_000]; // a marker is heard when half a second of what follows it has been played
const say = makeSay(document.getElementById("said"));
const view = openRows();
if (view) {
  followClicks(view, timeAt);
  const markers = [...view.root.querySelectorAll(".marker:not(.marker--old)")].map((element) => ({
    slot: slotOf(element),
    start_us: Number(element.dataset.startUs),
    end_us: element.dataset.endUs ? Number(element.dataset.endUs) : null,
    element,
  }));
  listen(view, markers);
  follow(view, markers);
}

function slotOf(link) {
  return Number(link.hash.split("-").at(-1));
}

// Which markers were played goes with the verdict.
function follow({ cursor }, markers) {
  const field = document.querySelector("input[name=heard]");
  const told = document.getElementById("heard");
  if (!field) return;
  const heard = new Set(field.value.split(",").filter(Boolean).map(Number));
  const tell = () => {
    field.value = [...heard].join(",");
    told.textContent = `You have heard ${heard.size} of ${markers.length} markers.`;
  };
  cursor.onMove((us, strip, quiet) => {
    if (!quiet) return;
    const before = heard.size;
    for (const { slot, start_us: start } of markers) {
      if (us - start >= HEARD_US[0] && us - start <= HEARD_US[1]) heard.add(slot);
    }
    if (heard.size !== before) tell();
  });
  tell();
}

function listen({ root, grid, strips, cursor, player }, markers) {
  const clips = makeClips(document.getElementById("player"), { grid, cursor, player, say });
  const verdict = (word) => document.querySelector(`button[name=do][value=${word}]`);
  const remarks = makeRemarks(root, markers);
  const before = new Map(
    [...root.querySelectorAll(".marker--old")].map((old) => [slotOf(old), { start_us: Number(old.dataset.startUs) }]),
  );
  const markerAt = (target) => markers.find(({ element }) => element === target.closest(".marker"));
  const words = { before: "As it was before", after: "As it is proposed", ...root.closest(".proof")?.dataset };
  for (const note of document.querySelectorAll(".only-scripts")) note.hidden = false;

  root.addEventListener("click", (event) => {
    const marker = event.target.closest(".marker");
    if (!marker) return;
    cursor.set(Number(marker.dataset.startUs));
    const found = markerAt(marker);
    if (found) clips.prepare(found);
  });

  const go = (us) => {
    clips.stop();
    if (player.playing) player.seek(us);
    else cursor.set(us);
  };
  const play = (us) => {
    clips.stop();
    player.play(us);
  };
  const moves = {
    ms: (way) => cursor.us + 1000 * way,
    row: (way) => otherRow(strips, grid, cursor.us, way),
    bar: (way) => (grid.timed ? shiftBeats(grid, cursor.us, way * grid.perBar) : nextBar(grid, cursor.us, way)),
    beat: (way) => (grid.timed ? shiftBeats(grid, cursor.us, way) : nextBeat(grid, cursor.us, way)),
  };

  // Both places of a slot one after the other, or the only one there is.
  for (const button of document.querySelectorAll("button[data-hear]")) {
    const slot = Number(button.dataset.hear);
    button.addEventListener("click", () => {
      const [was, is] = [before.get(slot), markers.find((marker) => marker.slot === slot)];
      if (was && is) clips.compare(was, is, words.compared);
      else play((is ?? was).start_us);
    });
  }

  document.addEventListener("keydown", (event) => {
    const command = commandOf(event, { letters: lettersOn() });
    if (!command) return;
    const { target } = event;
    const marker = root.contains(target) ? markerAt(target) : undefined;
    const inRows = target === cursor.element || marker !== undefined;
    const idle = target === document.body || target.id === "main";
    const chosen = marker ?? markers.find(({ start_us: us }) => Math.abs(us - cursor.us) < 1000);
    const acts = {
      toggle: () => clips.stop() || player.toggle(),
      "play-here": () => {
        const us = marker ? marker.start_us : cursor.us;
        play(command.lead ? leadOf(grid, us) : us);
      },
      compare: () => clips.compare(before.get(chosen?.slot), chosen, words.compared),
      remark: () => {
        if (!chosen) say("Go to a marker first: Tab leads from one to the next.");
        else if (!remarks.write(chosen.slot)) say("You cannot write remarks on this proposal.");
      },
      stop: () => clips.stop() || player.stop(),
      move: () => target === cursor.element && go(moves[command.by](command.way)),
      "row-end": () => go(rowEnds(strips, grid, cursor.us)[command.way < 0 ? 0 : 1]),
      loop: () => clips.hear(chosen, "loop"),
      seam: () => clips.hear(chosen, "seam"),
      jump: () => clips.hear(chosen, "jump", command.by),
      clicks: () => clips.clicks(cursor.us),
      "before-after": () => {
        if (marker) {
          // It may go out of sight, and the focus with it.
          go(marker.start_us);
          cursor.element.focus({ preventScroll: true });
        }
        say(root.classList.toggle("rows--before") ? words.before : words.after);
      },
      approve: () => verdict("approve")?.click(),
      return: () => send(verdict("return")),
    };
    const verdictKey = command.do === "approve" || command.do === "return";
    if (!acts[command.do] || !(inRows || (verdictKey && idle))) return;
    event.preventDefault();
    acts[command.do]();
  });
}

// A proposal is returned with words; without any, the note is where they are written.
function send(button) {
  if (!button) return;
  const words = [...button.form.elements].some(
    (field) => (field.matches("textarea") && field.value.trim()) || (field.matches("[type=checkbox]") && field.checked),
  );
  if (words) button.click();
  else document.getElementById("note").focus();
}
