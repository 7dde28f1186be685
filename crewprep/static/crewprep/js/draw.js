// Markers and loop brackets over the rows: one real button a marker, moved between strips as it moves in the track.

import { offGrid } from "./grid.js";
import { layLoop, layMarkers } from "./places.js";

const SVG = "http://www.w3.org/2000/svg";
const UNITS = 16;

function svg(name, attributes, parent) {
  const element = document.createElementNS(SVG, name);
  Object.entries(attributes).forEach(([key, value]) => element.setAttribute(key, value));
  parent.append(element);
  return element;
}

export function badgeOf(slot, number) {
  const holder = document.createDocumentFragment();
  const look = slot?.badge ?? { class: "slot--black", path: "M4 4H28V28H4Z", text_y: 20.7 };
  const image = svg(
    "svg",
    { class: `slot__badge ${look.class}`, viewBox: "0 0 32 32", "aria-hidden": "true", focusable: "false" },
    holder,
  );
  svg("path", { class: "slot__shape", d: look.path }, image);
  const text = svg("text", { x: 16, y: look.text_y }, image);
  if (number > 9) text.setAttribute("class", "slot__two-figures");
  text.textContent = number;
  return image;
}

export function makeDrawing({ strips, grid }, slots, { nameOf, noteOf, onChoose }) {
  const buttons = new Map();
  strips.forEach(({ lane, brackets }) => {
    lane.replaceChildren();
    brackets.replaceChildren();
  });

  function buttonFor(number) {
    if (!buttons.has(number)) {
      const button = document.createElement("button");
      button.type = "button";
      button.dataset.slot = number;
      button.append(badgeOf(slots.get(number), number));
      const note = document.createElement("span");
      note.className = "marker__note";
      button.append(note);
      button.addEventListener("click", () => onChoose(number));
      buttons.set(number, button);
    }
    return buttons.get(number);
  }

  return {
    buttons,
    draw(sheet, chosen) {
      const focused = document.activeElement;
      const levels = new Map();
      const laid = layMarkers(strips, grid, sheet);
      const shown = new Set(laid.map(({ marker }) => marker.slot));
      [...buttons.keys()].filter((number) => !shown.has(number)).forEach((number) => buttons.get(number).remove());
      for (const { marker, strip, across, level, flip } of laid) {
        const button = buttonFor(marker.slot);
        button.className = `marker lane-${level}${flip ? " marker--flip" : ""}`;
        button.classList.toggle("marker--off", offGrid(grid, marker.start_us) !== 0);
        button.classList.toggle("marker--chosen", marker.slot === chosen);
        button.setAttribute("aria-pressed", String(marker.slot === chosen));
        button.setAttribute("aria-label", nameOf(marker));
        button.querySelector(".marker__note").textContent = noteOf(marker);
        button.style.insetInlineStart = `${(across * 100).toFixed(3)}%`;
        strip.lane.append(button); // in order of time, so that Tab walks through them so
        levels.set(strip.row, Math.max(levels.get(strip.row) ?? 0, level + 1));
      }
      strips.forEach(({ brackets }) => brackets.replaceChildren());
      for (const marker of sheet.filter((one) => one.end_us !== null)) {
        for (const part of layLoop(strips, grid, marker)) {
          const width = part.strip.beats * UNITS;
          const path = `M${part.from * width} ${part.begins ? "5V1" : "1"}H${part.to * width}${part.ends ? "V5" : ""}`;
          svg("path", { class: "bracket", d: path }, part.strip.brackets);
        }
      }
      strips.forEach(({ li, row }) => {
        const lanes = `lanes-${Math.min(levels.get(row) ?? 0, 8)}`;
        if (li.classList.contains(lanes)) return;
        for (const name of [...li.classList]) if (name.startsWith("lanes-")) li.classList.remove(name);
        li.classList.add(lanes);
      });
      if (focused?.classList.contains("marker") && document.activeElement !== focused && focused.isConnected) {
        focused.focus({ preventScroll: true });
      }
    },
  };
}
