// Remarks as they are written: they stand in the margin of the marker's row at once, as they will for its author.
// A field is drawn anew when its remark was sent by itself, so fields are looked up when they are needed.

export function makeRemarks(root, markers) {
  const fields = "textarea[name^=remark-]";
  const fieldOf = (slot) => document.getElementById(`remark-${slot}`);
  const lines = new Map();

  function lineOf(marker) {
    if (!lines.has(marker.slot)) {
      const line = document.createElement("li");
      line.className = "remark--typed";
      line.append(marker.element.querySelector(".slot__badge").cloneNode(true), document.createElement("span"));
      lines.set(marker.slot, line);
    }
    return lines.get(marker.slot);
  }

  const markerOf = (field) => markers.find(({ slot }) => slot === Number(field.name.slice(7)));

  function show(field) {
    const marker = markerOf(field);
    if (!marker) return;
    const line = lineOf(marker);
    line.lastChild.textContent = field.value.trim();
    if (line.lastChild.textContent) marginOf(marker.element).append(line);
    else line.remove();
  }

  document.addEventListener("input", ({ target }) => {
    if (target.matches(fields)) show(target);
  });
  document.addEventListener("keydown", ({ key, target }) => {
    if (key === "Escape" && target.matches(fields)) markerOf(target)?.element.focus();
  });
  for (const field of document.querySelectorAll(fields)) show(field);

  // What a house check found becomes the remark's words at once, to be edited; without scripts the tick itself is sent.
  // Taking the tick away takes the words away, where they are as they came.
  document.addEventListener("change", ({ target: tick }) => {
    if (!tick.matches("input[type=checkbox][data-slot]")) return;
    const field = fieldOf(tick.dataset.slot);
    if (!field) return;
    tick.removeAttribute("name");
    const words = field.value.replace(tick.value, "").trim();
    field.value = (tick.checked ? `${words} ${tick.value}` : words).trim().slice(0, 500);
    field.closest("details").open = true;
    show(field);
  });

  // A remark that was sent by itself: its words stay in the margin, the field and the ticks are free again.
  document.addEventListener("htmx:load", ({ target }) => {
    for (const field of target.querySelectorAll(fields)) show(field);
    const slot = Number(target.dataset.begun);
    if (!slot) return;
    for (const tick of document.querySelectorAll(`input[type=checkbox][data-slot="${slot}"]`)) tick.checked = false;
    const marker = markers.find((one) => one.slot === slot);
    if (!marker) return;
    const said = lineOf(marker).cloneNode(true);
    said.removeAttribute("class");
    said.lastChild.replaceChildren(...target.querySelector(".remark").cloneNode(true).childNodes);
    marginOf(marker.element).append(said);
  });

  function marginOf(element) {
    const row = element.closest(".row");
    let margin = row.querySelector(".row__remarks");
    if (!margin) {
      margin = document.createElement("ul");
      margin.className = "row__remarks";
      margin.setAttribute("role", "list");
      row.append(margin);
    }
    root.classList.add("rows--remarked");
    return margin;
  }

  return {
    // Go and write on a slot; false where this page takes no remarks.
    write(slot) {
      const field = fieldOf(slot);
      if (!field) return false;
      field.closest("details").open = true;
      field.focus();
      return true;
    },
  };
}
