// One line that tells what a key or a button did: heard at once by those who hear the page, in sight for some seconds.

const IN_SIGHT_MS = 6000;

export function makeSay(element) {
  let timer = 0;
  element.classList.add("visually-hidden");
  return (text) => {
    // The same sentence twice is heard twice only if the text differs.
    element.textContent = text === element.textContent ? `${text}\u00a0` : text;
    element.classList.remove("visually-hidden");
    window.clearTimeout(timer);
    timer = window.setTimeout(() => element.classList.add("visually-hidden"), IN_SIGHT_MS);
  };
}
