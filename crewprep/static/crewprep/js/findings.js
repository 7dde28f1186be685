// What the house checks found: a list that follows the markers as they are saved, with a button where the right place is
// clear. The service does the checking.

import { smallButton } from "./button.js";

export function makeFindings(root, override, first, { onFix }) {
  if (!root) return { fixOf: () => null, of: () => [], show() {} };
  let findings = first;

  function lineOf(finding) {
    const line = document.createElement("li");
    const state = document.createElement("span");
    state.className = `state state--${finding.tone}`;
    state.textContent = finding.severity[0].toUpperCase() + finding.severity.slice(1);
    const words = document.createElement("span");
    const slot = document.createElement("strong");
    slot.textContent = `Slot ${finding.slot}.`;
    words.append(slot, ` ${finding.sentence}`);
    line.append(state, words);
    if (finding.fix) line.append(smallButton("Put right", () => onFix(finding.fix), `Put right slot ${finding.slot}: ${finding.check}`));
    return line;
  }

  function show() {
    const none = document.createElement("li");
    none.className = "soft";
    none.textContent = "The house checks find nothing.";
    root.replaceChildren(...(findings.length ? findings.map(lineOf) : [none]));
    const reason = override.querySelector("input");
    override.hidden = !findings.some(({ severity }) => severity === "blocker") && !reason.value;
  }

  show();
  return {
    // The first thing that is wrong with a slot and can be put right.
    fixOf: (slot) => findings.find((finding) => finding.slot === slot && finding.fix)?.fix ?? null,
    of: (slot) => findings.filter((finding) => finding.slot === slot),
    show(next) {
      findings = next;
      show();
    },
  };
}
