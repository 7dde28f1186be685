// Remarks as they are written: they stand in the margin of the marker's row at once, as they will for its author.

export function makeRemarks(root, markers) {
  const fields = new Map(
    [...document.querySelectorAll("textarea[name^=remark-]")].map((field) => [Number(field.name.slice(7)), field]),
  );
  for (const [slot, field] of fields) {
    const marker = markers.find((one) => one.slot === slot);
    if (!marker) continue;
    const line = document.createElement("li");
    const text = document.createElement("span");
    line.className = "remark--typed";
    line.append(marker.element.querySelector(".slot__badge").cloneNode(true), text);
    const show = () => {
      text.textContent = field.value.trim();
      if (text.textContent) marginOf(marker.element).append(line);
      else line.remove();
    };
    field.addEventListener("input", show);
    field.addEventListener("keydown", (event) => {
      if (event.key === "Escape") marker.element.focus();
    });
    show();
  }

  // What a house check found becomes the remark's words at once, to be edited; without scripts the tick itself is sent.
  // Taking the tick away takes the words away, where they are as they came.
  for (const tick of document.querySelectorAll("input[type=checkbox][name^=finding-]")) {
    tick.addEventListener("change", () => {
      const field = fields.get(Number(tick.dataset.slot));
      if (!field) return;
      tick.removeAttribute("name");
      const words = field.value.replace(tick.value, "").trim();
      field.value = (tick.checked ? `${words} ${tick.value}` : words).trim().slice(0, 500);
      field.closest("details").open = true;
      field.dispatchEvent(new Event("input"));
    });
  }

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
      const field = fields.get(slot);
      if (!field) return false;
      field.closest("details").open = true;
      field.focus();
      return true;
    },
  };
}
