// Shows one set or pan after another. What is shown stays with its name when the
// live part renews itself. What has no room on the screen is counted, not cut off.
import { t } from "./words.js";

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
  fit(scenes[i]);
}

/** @param {Element} scene */
function fit(scene) {
  const lines = Array.from(scene.querySelectorAll(".wall-line"));
  const more = scene.querySelector(".wall-more");
  lines.forEach((l) => l.classList.remove("away"));
  for (let n = lines.length; n > 1 && document.documentElement.scrollHeight > innerHeight; n--) {
    lines[n - 1].classList.add("away");
    const left = Number(more?.getAttribute("data-more")) + lines.length - n + 1;
    if (more) more.textContent = t("and {1} more", left);
    more?.classList.remove("away");
  }
}

show(false);
addEventListener("resize", () => show(false));
setInterval(() => show(true), every);
// morph takes away the class that it does not know of. What is done here is no news.
const watch = new MutationObserver(() => { show(false); watch.takeRecords(); });
watch.observe(document.getElementById("wall") || document.body, { childList: true, subtree: true, attributes: true, attributeFilter: ["class"] });
