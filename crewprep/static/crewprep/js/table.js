// The table of markers, kept in step with the rows: what is typed moves the marker, what is moved is written down.

import { smallButton } from "./button.js";
import { addressOf, clock, findTime, lengthText } from "./grid.js";
import { markerOf } from "./sheet.js";

// `onStart` and `onEnd` answer with what is wrong, or nothing.
export function makeTable(root, grid, slots, { onStart, onEnd, onLabel, onClear, onPut, onGo }) {
  const lines = new Map();
  for (const tr of root.querySelectorAll("tr[data-slot]")) {
    const number = Number(tr.dataset.slot);
    const slot = slots.get(number);
    const start = tr.querySelector(`[name="start-${number}"]`);
    const end = tr.querySelector(`[name="end-${number}"]`);
    const actions = tr.querySelector(".markers__actions");
    const put = smallButton("Put here", () => onPut(number));
    const go = smallButton("Show", () => onGo(number), `Show slot ${number}, ${slot.name}, in the rows`);
    const remove = () => {
      onClear(number);
      put.focus();
    };
    const clear = smallButton("Remove", remove, `Remove slot ${number}, ${slot.name}`);
    actions.replaceChildren(put, go, clear);
    start.addEventListener("change", () => typed(start, (us) => onStart(number, us), () => onClear(number)));
    end?.addEventListener("change", () => typed(end, (us) => onEnd(number, us), () => onStart(number, null)));
    const label = tr.querySelector(`[name="label-${number}"]`);
    label?.addEventListener("change", () => onLabel(number, label.value));
    lines.set(number, { tr, start, end, label, put, go, clear });
  }

  function typed(input, use, empty) {
    const text = input.value.trim();
    const us = text ? findTime(grid, text) : null;
    complain(input, "");
    if (text === "") empty();
    else if (us === null) complain(input, `“${text}” is not a time. Write minutes and seconds such as 3:00.5.`);
    else complain(input, use(us) ?? "");
  }

  return {
    lines,
    show(sheet) {
      for (const [number, line] of lines) {
        const marker = markerOf(sheet, number);
        write(line.start, marker ? clock(marker.start_us) : "");
        line.tr.querySelector('[data-show="address"]').textContent =
          marker && !grid.timed ? addressOf(grid, marker.start_us) : "";
        if (line.end) {
          write(line.end, marker?.end_us ? clock(marker.end_us) : "");
          line.tr.querySelector('[data-show="length"]').textContent = marker?.end_us
            ? lengthText(grid, marker.start_us, marker.end_us)
            : "";
        }
        if (line.label) {
          write(line.label, marker?.label ?? "");
          line.label.disabled = !marker;
        }
        line.go.hidden = line.clear.hidden = !marker;
        line.put.textContent = marker ? "Move here" : "Put here";
        line.put.setAttribute(
          "aria-label",
          `${line.put.textContent}: slot ${number}, ${slots.get(number).name}, at the cursor`,
        );
      }
    },
  };
}

function write(input, text) {
  if (input.value === text) return;
  input.value = text;
  complain(input, "");
}

// What is wrong stands under the field and belongs to it; no text takes it away.
function complain(input, text) {
  let told = input.parentElement.querySelector(".markers__error");
  input.toggleAttribute("aria-invalid", Boolean(text));
  if (text) input.setAttribute("aria-invalid", "true");
  if (!told && !text) return;
  if (!told) {
    told = document.createElement("p");
    told.className = "markers__error small";
    told.id = `${input.name}-error`;
    told.setAttribute("role", "alert");
    input.setAttribute("aria-describedby", `${input.getAttribute("aria-describedby")} ${told.id}`);
    input.after(told);
  }
  told.textContent = text;
}
