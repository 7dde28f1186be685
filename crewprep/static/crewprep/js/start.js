// The page is read before its scripts start: they wait for the first picture, which is whole without them.

const parts = { editor: () => import("./editor.js"), listen: () => import("./listen.js") };
const start = parts[document.querySelector("script[data-part]").dataset.part];
window.requestAnimationFrame(() => window.requestAnimationFrame(start));
