// Correcting the grid by key and by tapping. Every fix is a form of the page (tracks/_grid.html); this fills and sends it.
// The page comes back with new rows at the place where one was; unsent markers are kept (keep.js).

import { smallButton } from "./button.js";
import { clock } from "./grid.js";
import { tempoOf, withTap } from "./taps.js";

const BACK_AT = "crewprep:grid-back-at";
const NUDGE_MS = 5;

export function makeGridFix(root, { cursor, onLeave, onSnapAll, say }) {
  if (!root) return { run() {}, tap() {}, show() {} };
  let taps = [];
  const off = document.createElement("p");
  const offText = document.createElement("span");
  const snap = smallButton("Put them on beats", onSnapAll);
  off.append(offText, " ", snap);
  root.querySelector(".stack").prepend(off);

  const place = root.querySelector("[data-taps]");
  const tapping = document.createElement("span");
  tapping.className = "soft";
  place.append(smallButton("Tap along", tap), " ", tapping);

  for (const form of root.querySelectorAll("form")) {
    form.addEventListener("submit", () => {
      const at = form.querySelector("[data-cursor]");
      if (at && !at.value.trim()) at.value = clock(cursor.us);
      remember(cursor.us);
      onLeave();
    });
  }

  function run(fix) {
    const wanted = fix === "earlier" || fix === "later" ? "move" : fix;
    const send = root.querySelector(`button[value="${wanted}"]`);
    if (!send) {
      say("This track has no grid to correct yet: set a tempo below the rows.");
      return;
    }
    if (wanted === "move") send.form.elements.ms.value = fix === "later" ? NUDGE_MS : -NUDGE_MS;
    if (wanted === "one") send.form.elements.at.value = clock(cursor.us);
    send.form.requestSubmit(send);
  }

  function tap() {
    taps = withTap(taps, cursor.us);
    root.open = true;
    const found = tempoOf(taps);
    if (!found) {
      tapping.textContent = `${taps.length} of 4 taps`;
      return;
    }
    tapping.textContent = `${found.bpm} BPM from ${taps.length} taps`;
    const { bpm, at } = place.closest("form").elements;
    bpm.value = found.bpm;
    at.value = clock(found.us);
  }

  return {
    run,
    tap,
    // How many markers are on no beat.
    show(count) {
      off.hidden = count === 0;
      offText.textContent = count === 1 ? "One marker is on no beat." : `${count} markers are on no beat.`;
    },
  };
}

// Where one was before a correction, once; null after any other way to the page.
export function placeBefore() {
  try {
    const kept = window.sessionStorage.getItem(BACK_AT);
    window.sessionStorage.removeItem(BACK_AT);
    const { path, us } = JSON.parse(kept ?? "{}");
    return path === window.location.pathname ? us : null;
  } catch {
    return null;
  }
}

function remember(us) {
  try {
    window.sessionStorage.setItem(BACK_AT, JSON.stringify({ path: window.location.pathname, us }));
  } catch {
    // Storage may be closed to a page; then it begins at the top.
  }
}
