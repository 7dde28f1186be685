// Dragging a marker along the rows, with a mouse, a pen or a finger. It is put down where it is let go; Escape takes it
// back. Everything that a drag does, a key and a button do too (WCAG 2.2, 2.5.7).

import { timeAt } from "./places.js";

const FAR_PX = 6; // less than this is a press

// `onMove` and `onDrop` get the slot and the time under its stem, `onCancel` nothing.
export function makeDrag(root, { strips, grid }, { onMove, onDrop, onCancel }) {
  let held = null;

  root.addEventListener("pointerdown", (event) => {
    const marker = event.target.closest("button.marker");
    if (!marker || event.button !== 0 || !event.isPrimary) return;
    const stem = marker.getBoundingClientRect()[marker.classList.contains("marker--flip") ? "right" : "left"];
    held = { slot: Number(marker.dataset.slot), x: event.clientX, y: event.clientY, off: event.clientX - stem, us: null };
  });

  window.addEventListener("pointermove", (event) => {
    if (!held || !event.isPrimary) return;
    const far = Math.hypot(event.clientX - held.x, event.clientY - held.y);
    if (held.us === null && far < FAR_PX) return;
    const under = document.elementsFromPoint(event.clientX, event.clientY).find((one) => one.closest(".strip"));
    const strip = under && strips.find(({ element }) => element === under.closest(".strip"));
    if (!strip) return;
    const box = strip.art.getBoundingClientRect();
    held.us = timeAt(strip, grid, (event.clientX - held.off - box.left) / box.width);
    root.classList.add("rows--dragging");
    onMove(held.slot, held.us);
  });

  const letGo = (act) => {
    const was = held;
    held = null;
    root.classList.remove("rows--dragging");
    if (was && was.us !== null) act(was);
  };
  window.addEventListener("pointerup", (event) => event.isPrimary && letGo(({ slot, us }) => onDrop(slot, us)));
  window.addEventListener("pointercancel", () => letGo(onCancel));
  window.addEventListener(
    "keydown",
    (event) => {
      if (event.key !== "Escape" || held === null || held.us === null) return;
      event.preventDefault();
      event.stopPropagation();
      letGo(onCancel);
    },
    true,
  );
}
