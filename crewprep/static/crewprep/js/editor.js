// The track page: puts the parts together. State is one list of markers (sheet.js) with a history; everything that
// is shown follows from it in `show`.

import { makeClips } from "./clips.js";
import { makeDrag } from "./drag.js";
import { makeDrawing } from "./draw.js";
import { makeFindings } from "./findings.js";
import { makeGridFix, placeBefore } from "./grid-fix.js";
import { addressOf, clock, lengthText, nextBar, nextBeat, positionOf, shiftBeats, snap } from "./grid.js";
import { makeHistory } from "./history.js";
import { makeHold } from "./hold.js";
import { commandOf } from "./keys.js";
import { makeLoupe } from "./loupe.js";
import { makeNote } from "./note.js";
import { leadOf } from "./pieces.js";
import { otherRow, placeOf, rowEnds, timeAt } from "./places.js";
import { followClicks, openRows, readData } from "./rows-view.js";
import { makeSay } from "./say.js";
import { markerOf, nameOf, offBeat, onBeats, plain, put, relabelled, resize, same, setEnd, setStart, shift, snapped, withMarker, without } from "./sheet.js";
import { makeTable } from "./table.js";
import { makeTools } from "./tools.js";
import { makeWork } from "./work.js";

const PHRASE_BARS = 8;
const form = document.getElementById("sheet-form");
const slots = new Map(readData("slots-data").map((slot) => [slot.number, slot]));
const desk = readData("desk-data");
const blind = desk.blind === true; // a drill: nothing to compare with, no labels, the grid as it is
const refused = document.getElementById("error") !== null;
let chosen = null;
const say = makeSay(document.getElementById("said"));

const history = makeHistory(plain(desk.markers));
const view = openRows({ names: namesAt });
const { root, grid, strips, cursor, player } = view;
const clips = makeClips(document.getElementById("player"), { grid, cursor, player, say });

const drawing = makeDrawing(view, slots, {
  nameOf: (marker) => nameOf(marker, slots.get(marker.slot), grid, desk.reasons[marker.slot] ?? ""),
  noteOf: (marker) => `${marker.label || lengthText(grid, marker.start_us, marker.end_us)}${isDoubtful(marker) ? " ?" : ""}`.trim(),
  onChoose: (number) => choose(number, { go: true }),
});
const loupe = makeLoupe(document.getElementById("player")?.dataset.peaksUrl, grid);
const note = makeNote({
  timed: grid.timed,
  blind,
  loupe: loupe.element,
  onMove: (by) => moveChosen(by),
  onSnap: () => change(snapped(history.now, slots.get(chosen), grid), `Snapped to ${placeText(chosen, true)}`),
  onPlay: () => playFrom(markerOf(history.now, chosen).start_us),
  onHear: (what, by) => clips.hear(markerOf(history.now, chosen), what, by),
  onCompare: () => compare(chosen),
  onResize: (times) => resizeLoop(chosen, times),
  onLabel: (text) => relabel(chosen, text),
  onRemove: () => removeSlot(chosen),
  onClose: () => closeNote(),
});
const tools = makeTools(document.getElementById("tools"), slots, { blind, onPut: putHere, onUndo: undo, onRedo: redo });
const table = makeTable(document.getElementById("markers"), grid, slots, {
  onStart: (number, us) => {
    const slot = slots.get(number);
    if (us === null) change(setStart(history.now, slot, grid, markerOf(history.now, number).start_us, true));
    else change(setStart(history.now, slot, grid, us), null, number);
  },
  onEnd: (number, us) => {
    const next = setEnd(history.now, number, grid, us);
    if (next === history.now) return `The end of slot ${number} must come after its start.`;
    return change(next, null, number);
  },
  onLabel: relabel,
  onClear: removeSlot,
  onPut: putHere,
  onGo: (number) => {
    choose(number, { go: true });
    drawing.buttons.get(number).focus();
  },
});

const findings = makeFindings(document.getElementById("findings"), document.getElementById("override"), readData("findings-data"), {
  onFix: putRight,
});
const hold = makeHold(document.getElementById("claim"), { stand: document.querySelector(".stand"), form, say });
const work = makeWork({
  desk, form, slots, history, refused, say,
  stand: document.querySelector(".stand"),
  onShow: () => show(),
  onState: tools.state,
  onFound: (found) => {
    findings.show(found);
    show();
  },
  onHeld: hold.held,
});
const gridFix = makeGridFix(document.getElementById("grid"), {
  cursor,
  onLeave: work.leave,
  onSnapAll: () => change(onBeats(history.now, slots, grid), "Every marker is on a beat. U takes it back."),
  say,
});

followClicks(view, timeAt);
makeDrag(root, view, {
  onMove: (number, us) => drawing.draw(draggedTo(number, us), chosen),
  onDrop: (number, us) => change(draggedTo(number, us), null, number),
  onCancel: show,
});
root.addEventListener("keydown", onKey);
root.addEventListener("focusin", (event) => {
  const number = Number(event.target.closest(".marker")?.dataset.slot);
  if (number && number !== chosen && event.target.matches(":focus-visible")) choose(number);
});
work.restore();
show();
comeBack();

// What stands where the cursor is, for those who hear the page.
function namesAt(us) {
  const here = history.now.filter((marker) => Math.abs(marker.start_us - us) < 1000);
  return here.map((marker) => `slot ${marker.slot}, ${slots.get(marker.slot)?.name ?? ""}`).join(", ");
}

// A pencil mark of the draft, as long as nobody has moved what it stands beside.
function isDoubtful({ slot, start_us: us }) {
  const drafted = markerOf(desk.saved, slot);
  return drafted?.doubtful && drafted.start_us === us;
}

function placeText(number, snapAt = false) {
  const marker = markerOf(snapAt ? snapped(history.now, slots.get(number), grid) : history.now, number);
  if (!marker) return "nowhere";
  return grid.timed ? clock(marker.start_us) : `${addressOf(grid, marker.start_us)}, ${clock(marker.start_us)}`;
}

function show() {
  const sheet = history.now;
  if (chosen !== null && !markerOf(sheet, chosen)) chosen = null;
  drawing.draw(sheet, chosen);
  table.show(sheet);
  tools.show(history);
  if (chosen === null) note.hide();
  else {
    const marker = markerOf(sheet, chosen);
    const slot = slots.get(chosen);
    const length = marker.end_us === null ? "" : `, ${lengthText(grid, marker.start_us, marker.end_us)}`;
    note.show(
      placeOf(strips, grid, marker.start_us).strip.li,
      `Slot ${chosen}, ${slot.name}`,
      `${placeText(chosen)}${length}`,
      [...findings.of(chosen).map(({ sentence }) => sentence), desk.reasons[chosen]].filter(Boolean).join(" "),
      marker,
    );
    loupe.show(marker.start_us);
  }
  gridFix.show(grid.timed ? 0 : offBeat(sheet, grid).length);
  cursor.measure();
}

function change(next, text, number = null) {
  if (number !== null) chosen = number;
  if (!same(next, history.now)) {
    history.push(next);
    work.changed();
  }
  show();
  const told = text ?? (number === null ? "" : `Slot ${number} at ${placeText(number)}`);
  if (told) say(told);
}

function choose(number, { go = false } = {}) {
  chosen = number;
  tools.choose(number);
  if (go) {
    const { start_us: us } = markerOf(history.now, number);
    if (player.playing) player.seek(us);
    else cursor.set(us);
  }
  clips.prepare(markerOf(history.now, number));
  show();
  if (go) note.element.scrollIntoView({ block: "nearest" });
}

function closeNote() {
  const button = drawing.buttons.get(chosen);
  chosen = null;
  show();
  (button?.isConnected ? button : cursor.element).focus({ preventScroll: true });
}

function putHere(number) {
  const slot = slots.get(number);
  if (!slot) {
    say(`The convention has no slot ${number}.`);
    return;
  }
  const next = put(history.now, slot, grid, cursor.us);
  const at = markerOf(next, number);
  const pulled = Math.abs(at.start_us - cursor.us) >= 1000 ? "Snapped to" : "at";
  change(next, `Slot ${number}, ${slot.name}: ${pulled} ${grid.timed ? clock(at.start_us) : addressOf(grid, at.start_us)}`, number);
  tools.choose(number);
}

function removeSlot(number) {
  if (!markerOf(history.now, number)) return;
  const focusWas = document.activeElement;
  change(without(history.now, number), `Slot ${number} removed. U brings it back.`);
  if (!focusWas?.isConnected || focusWas.closest(".note")) cursor.element.focus({ preventScroll: true });
}

// A marker as it is dragged: on its snap, a loop as long as it was.
function draggedTo(number, us) {
  const slot = slots.get(number);
  return setStart(history.now, slot, grid, snap(grid, us, slot.snap_beats));
}

function fix(number) {
  const wanted = findings.fixOf(number);
  if (wanted) putRight(wanted);
  else say("The house checks know nothing to put right here.");
}

function putRight(wanted) {
  const old = markerOf(history.now, wanted.slot);
  change(withMarker(history.now, { label: "", ...old, ...wanted }), null, wanted.slot);
}

function relabel(number, text) {
  const next = relabelled(history.now, number, text);
  const { label } = markerOf(next, number) ?? {};
  change(next, label ? `Slot ${number} is labelled “${label}”` : `Slot ${number} has no label`);
}

function moveChosen({ us, beats, bars, phrase }) {
  const slot = slots.get(chosen);
  const by = us === undefined ? { beats: beats ?? (bars ?? phrase * PHRASE_BARS) * grid.perBar } : { us };
  change(shift(history.now, slot, grid, by), null, chosen);
  cursor.set(markerOf(history.now, chosen).start_us);
}

function undo() {
  if (history.undo()) {
    work.changed();
    show();
    say("Undone.");
  } else say("Nothing to undo.");
}

function redo() {
  if (history.redo()) {
    work.changed();
    show();
    say("Done again.");
  } else say("Nothing to redo.");
}

function onKey(event) {
  const command = commandOf(event, { letters: tools.letters });
  const marker = event.target.closest(".marker");
  const onCursor = event.target === cursor.element;
  if (!command || (!marker && !onCursor && !(command.do === "stop" && event.target.closest(".note")))) return;
  const number = marker ? Number(marker.dataset.slot) : null;
  const act = {
    move: () => (marker ? moveByKey(number, command) : goTo(nextPlace(command))),
    "row-end": () => goTo(rowEnds(strips, grid, cursor.us)[command.way < 0 ? 0 : 1]),
    put: () => putHere(command.slot),
    remove: () => removeSlot(number ?? markerUnderCursor()),
    undo,
    redo,
    toggle: () => clips.stop() || player.toggle(),
    "play-here": () => playFrom(number === null ? cursor.us : markerOf(history.now, number).start_us, command.lead),
    stop: () => clips.stop() || (player.playing ? player.stop() : closeNote()),
    loop: () => hear(number, "loop"),
    seam: () => hear(number, "seam"),
    jump: () => hear(number, "jump", command.by),
    clicks: () => clips.clicks(cursor.us),
    compare: () => compare(number ?? chosen ?? markerUnderCursor()),
    resize: () => resizeLoop(number ?? chosen ?? markerUnderCursor(), command.times),
    fix: () => fix(number ?? chosen ?? markerUnderCursor()),
    hold: hold.renew,
    propose: () => form.requestSubmit(form.querySelector("button:not([type])")),
    help: tools.help,
    grid: () => gridFix.run(command.fix),
    tap: gridFix.tap,
  }[command.do];
  if (!act) return;
  event.preventDefault();
  act();
}

function resizeLoop(number, times) {
  const next = resize(history.now, number, grid, times);
  const { start_us: start, end_us: end } = markerOf(next, number) ?? { end_us: null };
  if (next !== history.now) change(next, `Slot ${number} lasts ${lengthText(grid, start, end)}`, number);
  else say(end ? "The loop cannot be made shorter, or does not fit." : "Go to a loop first: a point has no length.");
}

function playFrom(us, withLead = false) {
  clips.stop();
  player.play(withLead ? leadOf(grid, us) : us);
}

// Hear a marker: the one in focus, else the chosen one, else the one under the cursor.
function hear(number, what, by) {
  clips.hear(markerOf(history.now, number ?? chosen ?? markerUnderCursor()), what, by);
}

function compare(number) {
  if (blind) say("There is nothing to compare with before you hand in.");
  else clips.compare(markerOf(desk.saved, number), markerOf(history.now, number));
}

function moveByKey(number, { by, way }) {
  chosen = number;
  if (by === "ms") moveChosen({ us: 1000 * way });
  else if (by === "row") moveChosen({ phrase: way });
  else if (by === "bar") moveChosen({ bars: way });
  else moveChosen({ beats: way });
}

function nextPlace({ by, way }) {
  const us = cursor.us;
  if (by === "ms") return us + 1000 * way;
  if (by === "row") return otherRow(strips, grid, us, way);
  if (grid.timed) return shiftBeats(grid, us, way * (by === "bar" ? grid.perBar : 1));
  return by === "bar" ? nextBar(grid, us, way) : nextBeat(grid, us, way);
}

function goTo(us) {
  if (player.playing) player.seek(us);
  else cursor.set(us);
}

function markerUnderCursor() {
  const at = positionOf(grid, cursor.us);
  return history.now.find((marker) => Math.abs(positionOf(grid, marker.start_us) - at) < 0.05)?.slot ?? null;
}

// After a correction of the grid one stands where one stood; a refusal is read first.
function comeBack() {
  const us = placeBefore();
  if (us === null || us === undefined) return;
  cursor.set(us, { reveal: false });
  if (document.querySelector("#messages .notice--bad")) return;
  say(document.getElementById("messages")?.textContent.trim() ?? "");
  cursor.element.focus({ preventScroll: true });
  cursor.element.scrollIntoView({ block: "center" });
}
