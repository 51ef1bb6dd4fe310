// Shows one set or pan after another. What is shown stays with its name when the
// live part renews itself.
const every = 1000 * Number(document.body.dataset.seconds || 10);
let shown = "";

/** @param {boolean} on to the next one */
function show(on) {
  const scenes = Array.from(document.querySelectorAll(".scene"));
  if (scenes.length === 0) return;
  let i = scenes.findIndex((s) => s.getAttribute("data-key") === shown);
  if (on || i < 0) i = (i + 1) % scenes.length;
  shown = scenes[i].getAttribute("data-key") || "";
  scenes.forEach((s, k) => s.classList.toggle("away", k !== i));
}

show(false);
setInterval(() => show(true), every);
// morph takes away the class that it does not know of.
new MutationObserver(() => show(false)).observe(document.getElementById("wall") || document.body, { childList: true, subtree: true, attributes: true, attributeFilter: ["class"] });
