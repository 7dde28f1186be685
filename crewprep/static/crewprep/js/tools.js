// Beside the player: put a slot at the cursor, undo, redo, and the list of keys.

import { smallButton } from "./button.js";

const KEYS = [
  ["Left, Right", "a beat back or on"],
  ["Shift + Left, Right", "a bar back or on"],
  ["Up, Down", "the row before or after"],
  ["Alt + Left, Right", "1 millisecond"],
  ["Home, End", "start or last beat of the row"],
  ["1 to 9, 0 for 10", "put that slot at the cursor"],
  ["Tab", "from marker to marker"],
  ["Delete", "remove the marker"],
  ["U or Ctrl + Z", "undo"],
  ["Shift + U or Ctrl + Shift + Z", "redo"],
  ["Space", "play or pause"],
  ["Enter", "play from the marker or the cursor"],
  ["Shift + Enter", "the same from two bars before"],
  ["Escape", "stop, close"],
  ["L", "loop the marker: a loop, or eight bars"],
  ["S", "hear a loop's seam: its last two beats, then its first two"],
  ["J, Shift + J", "jump to the marker at the next bar, phrase"],
  ["K", "eight bars with clicks on the beats"],
  ["O", "hear where the marker was, then where it is"],
  ["[, ]", "half, double the loop's length"],
  ["F", "put right what a house check found at the marker"],
  ["P", "propose the sheet"],
  ["Y", "hold the track for two hours more"],
  ["H", "grid: half a beat later"],
  ["Shift + H", "grid: bars and phrases a beat later"],
  ["B", "grid: a phrase begins at the cursor"],
  ["−, +", "grid: half, double the tempo"],
  ["<, >", "grid: 5 milliseconds earlier, later"],
  ["T", "tap the tempo along with the music"],
  ["?", "this list"],
];
const NOT_BLIND = new Set(["O", "F", "Y", "H", "Shift + H", "B", "−, +", "<, >", "T"]);
const BLIND = { P: "hand in" };
const SWITCH = "crewprep:letters-off";

// `blind`: a page on which everybody else's markers are hidden, and nothing but markers can be changed.
export function makeTools(root, slots, { blind, onPut, onUndo, onRedo }) {
  root.hidden = false;
  const label = document.createElement("label");
  label.className = "tools__put";
  const word = document.createElement("span");
  word.textContent = "Slot";
  const select = document.createElement("select");
  for (const slot of slots.values()) select.add(new Option(`${slot.number} ${slot.name}`, slot.number));
  select.setAttribute("aria-label", "Slot to put here");
  label.append(word, select);
  const undo = smallButton("Undo", onUndo);
  const redo = smallButton("Redo", onRedo);
  const dialog = makeHelp(blind);
  const put = smallButton("Put", () => onPut(Number(select.value)), "Put here, at the cursor");
  const here = document.createElement("span");
  here.className = "tools__here";
  here.textContent = "\u00a0here";
  put.append(here);
  const saved = document.createElement("span");
  saved.className = "tools__saved small soft";
  root.append(
    label,
    put,
    undo,
    redo,
    smallButton("Keys", () => dialog.open()),
    saved,
    dialog.element,
  );
  return {
    help: dialog.open,
    get letters() {
      return dialog.letters;
    },
    state(text) {
      saved.textContent = text;
    },
    show({ canUndo, canRedo }) {
      undo.disabled = !canUndo;
      redo.disabled = !canRedo;
    },
    choose(number) {
      select.value = number;
    },
  };
}

function makeHelp(blind) {
  const element = document.createElement("dialog");
  element.className = "key-list sheet";
  element.setAttribute("aria-labelledby", "keys-head");
  const head = document.createElement("h2");
  head.id = "keys-head";
  head.textContent = "Keys on the rows";
  const text = document.createElement("p");
  text.textContent =
    "They work while the cursor or a marker has the focus. On a marker the arrows move the marker, on the cursor the cursor.";
  const list = document.createElement("dl");
  for (const [key, meaning] of KEYS) {
    if (blind && NOT_BLIND.has(key)) continue;
    const line = document.createElement("div");
    const term = document.createElement("dt");
    const kbd = document.createElement("kbd");
    kbd.textContent = key;
    term.append(kbd);
    const says = document.createElement("dd");
    says.textContent = (blind && BLIND[key]) || meaning;
    line.append(term, says);
    list.append(line);
  }
  const check = document.createElement("label");
  check.className = "check";
  const box = document.createElement("input");
  box.type = "checkbox";
  box.checked = recall() === null;
  const words = document.createElement("span");
  words.textContent = "Figures, letters and signs do something (1 to 9, U, H, ?)";
  check.append(box, words);
  box.addEventListener("change", () => remember(box.checked));
  const close = smallButton("Close", () => element.close());
  element.append(head, text, list, check, close);
  return {
    element,
    open: () => element.showModal(),
    get letters() {
      return box.checked;
    },
  };
}

export function lettersOn() {
  return recall() === null;
}

// Storage may be closed to a page (private windows); then the choice lasts as long as the page.
function recall() {
  try {
    return window.localStorage.getItem(SWITCH);
  } catch {
    return null;
  }
}

function remember(letters) {
  try {
    if (letters) window.localStorage.removeItem(SWITCH);
    else window.localStorage.setItem(SWITCH, "1");
  } catch {
    // see recall()
  }
}
