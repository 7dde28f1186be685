// The cursor: one slider over all rows. It is moved by `transform` alone, so that a playing track redraws nothing else.

import { addressOf, clamp, clock } from "./grid.js";
import { placeOf } from "./places.js";

export function makeCursor(root, grid, strips, names) {
  const element = document.createElement("div");
  element.className = "cursor";
  element.tabIndex = 0;
  element.setAttribute("role", "slider");
  element.setAttribute("aria-label", "Place in the track");
  element.setAttribute("aria-valuemin", "0");
  element.setAttribute("aria-valuemax", (grid.durationUs / 1e6).toFixed(3));
  root.prepend(element);

  let us = 0;
  let boxes = [];
  const listeners = [];

  // Where a strip lies is asked for once, until something may have moved.
  function measure() {
    boxes = [];
    place();
  }

  function boxOf({ art, index }) {
    if (!boxes[index]) {
      const origin = root.getBoundingClientRect();
      const box = art.getBoundingClientRect();
      boxes[index] = { x: box.left - origin.left, y: box.top - origin.top, width: box.width };
    }
    return boxes[index];
  }

  function place() {
    const { strip, across } = placeOf(strips, grid, us);
    const box = boxOf(strip);
    element.style.transform = `translate(${(box.x + across * box.width).toFixed(2)}px, ${box.y.toFixed(2)}px)`;
    return strip;
  }

  function say() {
    const here = names(us);
    const place = grid.timed ? clock(us) : `${addressOf(grid, us)}, ${clock(us)}`;
    element.setAttribute("aria-valuenow", (us / 1e6).toFixed(3));
    element.setAttribute("aria-valuetext", here ? `${place}, ${here}` : place);
  }

  const cursor = {
    element,
    measure,
    say,
    get us() {
      return us;
    },
    // Move; `quiet` leaves what a screen reader hears as it is (while a track plays).
    set(next, { quiet = false, reveal = true } = {}) {
      us = clamp(grid, Math.round(next));
      const strip = place();
      if (!quiet) say();
      if (reveal && !quiet) showRow(strip);
      listeners.forEach((listener) => listener(us, strip, quiet));
    },
    onMove(listener) {
      listeners.push(listener);
    },
  };

  new ResizeObserver(measure).observe(root);
  document.fonts?.ready.then(measure);
  measure();
  say();
  return cursor;
}

// Bring a row into view, only as far as needed; the style sheet keeps room for the bar below.
export function showRow(strip, behavior = "auto") {
  strip.element.scrollIntoView({ block: "nearest", behavior });
}
