// The note under the row of the chosen marker: what it is, why it stands there, and a button for every move.
// One tab stop; the arrow keys walk from button to button (ARIA APG, toolbar).

import { smallButton } from "./button.js";

const MOVES = [
  ["Earlier", [["phrase", { phrase: -1 }], ["bar", { bars: -1 }], ["beat", { beats: -1 }], ["ms", { us: -1000 }]]],
  ["Later", [["ms", { us: 1000 }], ["beat", { beats: 1 }], ["bar", { bars: 1 }], ["phrase", { phrase: 1 }]]],
];
const OF_LOOPS = new Set(["Seam", "Half", "Double"]);
const WORDS = { phrase: "one phrase", bar: "one bar", beat: "one beat", ms: "1 ms" };

export function makeNote({ timed, blind, loupe, onMove, onSnap, onPlay, onHear, onCompare, onResize, onLabel, onRemove, onClose }) {
  const element = document.createElement("div");
  element.className = "note";
  element.hidden = true;
  const text = document.createElement("p");
  text.className = "note__text";
  const why = document.createElement("p");
  why.className = "note__why small soft";
  const bar = document.createElement("div");
  bar.className = "note__bar";
  bar.setAttribute("role", "toolbar");
  const named = document.createElement("label");
  named.className = "note__label small";
  const label = document.createElement("input");
  label.maxLength = 60;
  label.autocomplete = "off";
  label.addEventListener("change", () => onLabel(label.value));
  named.append("Label ", label);
  element.append(text, loupe, why, bar);
  if (!blind) element.append(named);

  for (const [way, moves] of MOVES) {
    const group = document.createElement("span");
    group.className = "note__group";
    const label = document.createElement("span");
    label.className = "small soft";
    label.textContent = way;
    label.setAttribute("aria-hidden", "true");
    group.append(label);
    for (const [word, by] of moves) {
      if (timed && word !== "ms") continue;
      group.append(smallButton(word, () => onMove(by), `${way} by ${WORDS[word]}`));
    }
    bar.append(group);
  }
  const rest = document.createElement("span");
  rest.className = "note__group";
  if (!timed) rest.append(smallButton("Snap", onSnap, "Snap to the grid"));
  rest.append(
    smallButton("Play", onPlay, "Play from this marker"),
    smallButton("Loop", () => onHear("loop"), "Loop this marker"),
    smallButton("Seam", () => onHear("seam"), "Hear the loop's seam"),
    ...(blind ? [] : [smallButton("Old, new", onCompare, "Hear where this marker was, then where it is")]),
    smallButton("Half", () => onResize(0.5), "Half the loop's length"),
    smallButton("Double", () => onResize(2), "Double the loop's length"),
    smallButton("Remove", onRemove, "Remove this marker"),
    smallButton("Close", onClose, "Close this note"),
  );
  if (!timed) bar.append(jumps(onHear));
  bar.append(rest);

  const buttons = [...bar.querySelectorAll("button")];
  rove(0);
  bar.addEventListener("keydown", (event) => {
    const shown = buttons.filter((one) => !one.hidden);
    const at = shown.indexOf(event.target);
    const next = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: shown.length - 1 }[event.key];
    if (next === undefined || at < 0 || event.altKey || event.ctrlKey || event.metaKey) return;
    const target = shown[(next + shown.length) % shown.length];
    rove(buttons.indexOf(target));
    target.focus();
    event.preventDefault();
    event.stopPropagation();
  });
  bar.addEventListener("focusin", (event) => rove(buttons.indexOf(event.target)));

  function rove(at) {
    buttons.forEach((one, index) => {
      one.tabIndex = index === at ? 0 : -1;
    });
  }

  return {
    element,
    show(row, name, place, reason, marker) {
      const inside = element.contains(document.activeElement) ? document.activeElement : null;
      if (element.parentElement !== row) row.append(element);
      element.hidden = false;
      const strong = document.createElement("strong");
      strong.textContent = name;
      text.replaceChildren(strong, ` ${place}`);
      why.textContent = reason;
      why.hidden = !reason;
      bar.setAttribute("aria-label", `Move ${name}`);
      for (const one of buttons) if (OF_LOOPS.has(one.textContent)) one.hidden = marker.end_us === null;
      if (document.activeElement !== label) label.value = marker.label ?? "";
      label.setAttribute("list", `labels-${marker.slot}`);
      inside?.focus({ preventScroll: true });
    },
    hide() {
      element.hidden = true;
    },
  };
}

// While the track plays: jump here at the end of the beat, bar or phrase.
function jumps(onHear) {
  const group = document.createElement("span");
  group.className = "note__group";
  const label = document.createElement("span");
  label.className = "small soft";
  label.textContent = "Jump here at the next";
  label.setAttribute("aria-hidden", "true");
  group.append(label);
  for (const by of ["beat", "bar", "phrase"]) {
    group.append(smallButton(by, () => onHear("jump", by), `Jump here at the next ${by}`));
  }
  return group;
}
