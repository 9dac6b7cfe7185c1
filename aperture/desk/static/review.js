// Switches what is drawn, takes keys for the buttons, and lets a person drag the outline's points.
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

// The keys are those that stand on the buttons; in a field they are typed, and Escape leaves it.
document.addEventListener("keydown", (event) => {
  const typing = event.target.matches("input:not([type=checkbox]), select, textarea");
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "Escape") { document.activeElement.blur(); return; }
  if (typing) return;
  const key = event.key.toLowerCase();
  if (key in show) show[key].click();
  else if (key === "z") zoom.click();
  else {
    const named = document.querySelector(`[data-key="${CSS.escape(key)}"]`);
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

// --- the outline ---

const edit = document.getElementById("edit");
const svg = document.querySelector(".this svg.tip");
const fewest = 8; // points of an outline
const reach = 14; // pixels of the screen: so near to a point a finger or a mouse takes it

// The curve that will be measured, through points [{x, y}]: a periodic cubic spline over the length of the
// chords, as `smooth` in outlines.py. What is seen is what is measured.
function curve(points) {
  const steps = 12;
  const count = points.length;
  const after = (i) => (i + 1) % count;
  const before = (i) => (i + count - 1) % count;
  const h = points.map((one, i) => Math.max(Math.hypot(points[after(i)].x - one.x, points[after(i)].y - one.y), 1e-9));
  const along = (axis) => {
    const v = points.map((point) => point[axis]);
    const m = v.map(() => 0); // second derivatives, by Gauss and Seidel: each round halves what is wrong
    for (let round = 0; round < 40; round++) {
      for (let i = 0; i < count; i++) {
        const bend = (v[after(i)] - v[i]) / h[i] - (v[i] - v[before(i)]) / h[before(i)];
        m[i] = (6 * bend - h[before(i)] * m[before(i)] - h[i] * m[after(i)]) / (2 * (h[before(i)] + h[i]));
      }
    }
    return v.flatMap((_, i) => Array.from({ length: steps }, (_, step) => {
      const t = (h[i] * step) / steps;
      const left = h[i] - t;
      return (m[i] * left ** 3 + m[after(i)] * t ** 3) / (6 * h[i])
        + (v[i] / h[i] - (m[i] * h[i]) / 6) * left + (v[after(i)] / h[i] - (m[after(i)] * h[i]) / 6) * t;
    }));
  };
  const y = along("y");
  return along("x").map((x, place) => `${x.toFixed(4)},${y[place].toFixed(4)}`).join(" ");
}

edit?.addEventListener("click", () => {
  if (!svg || edit.disabled) return;
  edit.disabled = true;
  svg.setAttribute("role", "group"); // a picture has nothing in it to focus
  svg.classList.add("edited");
  document.getElementById("measure").disabled = false;
  show.o.checked = true;
  draw();
  const [xMin, , , yMax] = JSON.parse(edit.dataset.window);
  let outline = svg.querySelector(".outline");
  if (!outline) {
    outline = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
    outline.setAttribute("class", "outline");
    svg.append(outline);
  }
  const field = document.getElementById("points");
  const points = []; // in order round the outline: {x, y, handle, grip}, in mm of the picture, y down
  const update = () => {
    points.forEach((point, place) => {
      for (const circle of [point.handle, point.grip]) {
        circle.setAttribute("cx", point.x);
        circle.setAttribute("cy", point.y);
      }
      point.handle.setAttribute("aria-label", `Point ${place + 1} of ${points.length} of the outline`);
    });
    outline.setAttribute("points", curve(points));
    // On the card y goes up.
    field.value = JSON.stringify(points.map(({ x, y }) => [x + xMin, yMax - y]));
  };
  const where = (event) => new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  const circle = (name) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    made.setAttribute("class", name);
    made.setAttribute("r", "0.09");
    return made;
  };
  const add = (x, y, place) => {
    const [handle, grip] = [circle("handle"), circle("grip")];
    handle.setAttribute("tabindex", "0");
    handle.setAttribute("role", "button");
    handle.setAttribute("aria-describedby", "points-help");
    const point = { x, y, handle, grip };
    handle.addEventListener("keydown", (event) => {
      if (event.key === "Delete" || event.key === "Backspace") {
        event.preventDefault();
        if (points.length <= fewest) return;
        const gone = points.indexOf(point);
        points.splice(gone, 1);
        handle.remove();
        grip.remove();
        points[gone % points.length].handle.focus();
        update();
        return;
      }
      const step = event.shiftKey ? 0.1 : 0.02; // mm
      const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
      if (!move) return;
      event.preventDefault();
      point.x += move[0];
      point.y += move[1];
      update();
    });
    // With Tab they come in the order in which they lie.
    if (points[place]) points[place].handle.before(handle);
    else svg.append(handle);
    outline.after(grip); // under all handles
    points.splice(place, 0, point);
    return point;
  };
  JSON.parse(edit.dataset.handles).forEach(([x, y], place) => add(x - xMin, yMax - y, place));
  update();
  points[0].handle.focus();

  // A point is taken from a little beside it, too: on a phone it is smaller than a finger. A click farther from
  // all of them makes a new one, between the two between which it makes the smallest detour.
  const apart = (one, other) => Math.hypot(one.x - other.x, one.y - other.y);
  const nearest = (at) => {
    const point = points.reduce((one, other) => (apart(other, at) < apart(one, at) ? other : one));
    return apart(point, at) * svg.getScreenCTM().a <= reach ? point : null;
  };
  let taken = null;
  svg.addEventListener("pointerdown", (event) => {
    const at = where(event);
    const point = event.button === 0 ? nearest(at) : null;
    if (!point) return;
    event.preventDefault();
    point.handle.focus();
    taken = { point, dx: point.x - at.x, dy: point.y - at.y };
    svg.setPointerCapture(event.pointerId);
  });
  svg.addEventListener("pointermove", (event) => {
    if (!taken) return;
    const at = where(event);
    taken.point.x = at.x + taken.dx;
    taken.point.y = at.y + taken.dy;
    update();
  });
  for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, () => { taken = null; });
  svg.addEventListener("click", (event) => {
    const at = where(event);
    if (nearest(at)) return;
    const detours = points.map((one, place) => {
      const other = points[(place + 1) % points.length];
      return apart(one, at) + apart(at, other) - apart(one, other);
    });
    const point = add(at.x, at.y, detours.indexOf(Math.min(...detours)) + 1);
    update();
    point.handle.focus();
  });
});
