// Switches what is drawn, takes keys for the buttons, and lets a person drag the outline's points.
"use strict";

const tips = document.getElementById("tips");
const show = { o: document.getElementById("show-outline"), e: document.getElementById("show-ellipse") };

function draw() {
  tips.classList.toggle("no-outline", !show.o.checked);
  tips.classList.toggle("no-ellipse", !show.e.checked);
}
Object.values(show).forEach((box) => box.addEventListener("change", draw));
draw();

const zoom = document.getElementById("zoom");
zoom.addEventListener("click", () => {
  const large = tips.classList.toggle("large");
  zoom.setAttribute("aria-pressed", large);
  // What is wider than the window is scrolled, with the arrow keys too.
  tips.querySelectorAll("figure").forEach((figure) => {
    figure.tabIndex = large ? 0 : -1;
    figure.scrollLeft = (figure.scrollWidth - figure.clientWidth) / 2;
  });
});

document.addEventListener("keydown", (event) => {
  const typing = event.target.matches("input:not([type=checkbox]), select, textarea, .handle");
  if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key in show) show[event.key].click();
  else if (event.key === "z") zoom.click();
  else {
    const named = document.querySelector(`[data-key="${CSS.escape(event.key)}"]`);
    if (!named) return;
    event.preventDefault(); // the key is not typed into the field
    if (named.matches("input, select")) named.focus();
    else named.click();
  }
});

// Enter in a field presses the button beside it.
document.getElementById("say").addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || !event.target.matches("fieldset input, fieldset select")) return;
  event.preventDefault();
  event.target.closest("fieldset").querySelector("button[name=say]").click();
});

// --- the outline ---

const edit = document.getElementById("edit");
const svg = document.querySelector(".this svg.tip");

edit?.addEventListener("click", () => {
  if (!svg || edit.disabled) return;
  edit.disabled = true;
  svg.setAttribute("role", "group"); // a picture has nothing in it to focus
  document.getElementById("measure").disabled = false;
  show.o.checked = true;
  draw();
  const [xMin, , , yMax] = JSON.parse(edit.dataset.window);
  // In the picture y goes down; on the card up.
  const points = JSON.parse(edit.dataset.handles).map(([x, y]) => [x - xMin, yMax - y]);
  let outline = svg.querySelector(".outline");
  if (!outline) {
    outline = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
    outline.setAttribute("class", "outline");
    svg.append(outline);
  }
  const field = document.getElementById("points");
  const update = () => {
    outline.setAttribute("points", points.map((point) => point.join(",")).join(" "));
    field.value = JSON.stringify(points.map(([x, y]) => [x + xMin, yMax - y]));
  };
  const where = (event) => {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [at.x, at.y];
  };
  const addHandle = (point) => {
    const handle = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    const put = () => { handle.setAttribute("cx", point[0]); handle.setAttribute("cy", point[1]); };
    handle.setAttribute("class", "handle");
    handle.setAttribute("r", "0.09");
    handle.setAttribute("tabindex", "0");
    handle.setAttribute("role", "button");
    handle.setAttribute("aria-label", `Point ${points.indexOf(point) + 1} of the outline; arrow keys move it`);
    handle.addEventListener("pointerdown", (event) => handle.setPointerCapture(event.pointerId));
    handle.addEventListener("pointermove", (event) => {
      if (!handle.hasPointerCapture(event.pointerId)) return;
      [point[0], point[1]] = where(event);
      put();
      update();
    });
    handle.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 0.1 : 0.02; // mm
      const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
      if (!move) return;
      event.preventDefault();
      point[0] += move[0];
      point[1] += move[1];
      put();
      update();
    });
    put();
    svg.append(handle);
  };
  points.forEach(addHandle);
  svg.querySelector(".handle").focus();
  // A click beside the points adds one, between the two between which it makes the smallest detour.
  svg.addEventListener("click", (event) => {
    if (event.target.matches(".handle")) return;
    const point = where(event);
    const apart = (one, other) => Math.hypot(one[0] - other[0], one[1] - other[1]);
    const detours = points.map((one, place) => {
      const other = points[(place + 1) % points.length];
      return apart(one, point) + apart(point, other) - apart(one, other);
    });
    points.splice(detours.indexOf(Math.min(...detours)) + 1, 0, point);
    addHandle(point);
    update();
  });
  update();
});
