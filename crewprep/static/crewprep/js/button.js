// A small button of the tools; `name` is what is heard where the word alone says too little.

export function smallButton(word, onClick, name) {
  const element = document.createElement("button");
  element.type = "button";
  element.className = "button button--small";
  element.textContent = word;
  if (name) element.setAttribute("aria-label", name);
  element.addEventListener("click", onClick);
  return element;
}
