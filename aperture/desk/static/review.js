// Switches what is drawn, takes keys for the buttons, makes larger what is judged, fetches the whole photo.
import { Zoom } from "./zoom.js";
import "./outline.js";

const tips = document.getElementById("tips");
const show = { o: document.getElementById("show-outline"), e: document.getElementById("show-ellipse") };

function draw() {
  tips.classList.toggle("no-outline", !show.o.checked);
  tips.classList.toggle("no-ellipse", !show.e.checked);
}
Object.values(show).forEach((box) => box.addEventListener("change", draw));
draw();

// --- larger and smaller ---

const drawings = [...tips.querySelectorAll("svg.tip")];
const tipZoom = drawings.length ? new Zoom(drawings, tips.querySelector(".this svg.tip") || drawings[0]) : null;
let photoZoom = null;
const zoomed = () => (photo?.getAttribute("aria-expanded") === "true" && photoZoom) || tipZoom;
document.getElementById("larger").addEventListener("click", () => zoomed()?.larger());
document.getElementById("smaller").addEventListener("click", () => zoomed()?.smaller());

const zoom = document.getElementById("zoom");
zoom.addEventListener("click", () => {
  const large = tips.classList.toggle("large");
  zoom.setAttribute("aria-pressed", large);
  // What is wider than the window is scrolled, with the arrow keys too.
  tips.querySelectorAll("figure").forEach((figure) => {
    figure.tabIndex = large ? 0 : -1;
    figure.scrollLeft = (figure.scrollWidth - figure.clientWidth) / 2;
  });
  tips.querySelector(".this").scrollIntoView({ block: "nearest" });
});

// --- the whole photo ---

const photo = document.getElementById("photo");
const place = document.getElementById("photo-place");
const says = document.getElementById("photo-says");

// It stands on a page of its own; from there it is taken into this one, once.
async function fetched() {
  says.textContent = "The whole photo is being read …";
  try {
    const answer = await fetch(photo.href);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const figure = page.getElementById("whole");
    says.textContent = figure ? "" : page.querySelector("main p")?.textContent.trim() || "It could not be read.";
    if (!figure) return;
    place.append(document.importNode(figure, true));
    const svg = place.querySelector("svg");
    photoZoom = new Zoom([svg], svg);
  } catch {
    says.textContent = "The desk does not answer. Is it open?";
  }
}

async function switchPhoto() {
  const open = photo.getAttribute("aria-expanded") !== "true";
  photo.setAttribute("aria-expanded", open);
  if (open && !place.childElementCount) await fetched();
  place.hidden = photo.getAttribute("aria-expanded") !== "true" || !place.childElementCount;
}

if (photo) {
  photo.setAttribute("role", "button");
  photo.setAttribute("aria-expanded", "false");
  photo.addEventListener("click", async (event) => {
    event.preventDefault();
    await switchPhoto();
    if (!place.hidden) place.scrollIntoView({ block: "nearest" });
  });
  if ("open" in photo.dataset) switchPhoto();
}

// --- keys ---

const inView = (one) => one.getClientRects().length > 0;

// The keys are those that stand on the buttons; in a field they are typed, and Escape leaves it.
document.addEventListener("keydown", (event) => {
  const typing = event.target.matches("input:not([type=checkbox]), select, textarea");
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "Escape") { document.activeElement.blur(); return; }
  if (typing) return;
  const key = event.key === "=" ? "+" : event.key.toLowerCase();
  if (key in show) show[key].click();
  else if (key === "z") zoom.click();
  else {
    const named = [...document.querySelectorAll(`[data-key="${CSS.escape(key)}"]`)].find(inView);
    if (!named) return;
    event.preventDefault(); // the key is not typed into the field
    if (named.matches("input, select")) named.focus();
    else named.click();
  }
});

// Enter in a field presses the button beside it.
document.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || !event.target.matches("fieldset input, fieldset select")) return;
  event.preventDefault();
  event.target.closest("fieldset").querySelector("button[name=say]").click();
});
