/* Choosing tracks of a list: all of the page at once, and how many are ticked. The form works without it. */

const form = document.querySelector("[data-choose]");

function start() {
  const all = form.querySelector("[data-choose-all]");
  const count = form.querySelector("[data-choose-count]");
  const boxes = [...form.querySelectorAll('input[name="track"]')];
  const every = form.querySelector('input[name="every"]');

  const tell = () => {
    const ticked = boxes.filter((box) => box.checked).length;
    const box = all.querySelector("input");
    box.checked = ticked === boxes.length;
    box.indeterminate = ticked > 0 && ticked < boxes.length;
    count.textContent = every?.checked ? "all of them" : `${ticked} ${ticked === 1 ? "track" : "tracks"}`;
  };

  all.hidden = false;
  all.addEventListener("change", (event) => {
    for (const box of boxes) box.checked = event.target.checked;
    tell();
  });
  form.addEventListener("change", tell);
  tell();
}

if (form) start();
