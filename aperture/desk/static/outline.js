// The outline's points, to be dragged, added and taken away; its numbers come from the desk meanwhile.

const edit = document.getElementById("edit");
const svg = document.querySelector(".this svg.tip");
const measure = document.getElementById("measure");
const fewest = 8; // points of an outline
const most = 400;
const reach = 14; // pixels of the screen: so near to a point a finger or a mouse takes it
const handlePx = 4.5; // of the screen, however large the picture is

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

// --- its numbers ---

const card = document.querySelector(".this");
const says = document.getElementById("outline-says");
const field = document.getElementById("points");
const nothing = "–";

function tell({ trouble, seen, chances, numbers }) {
  const name = card.querySelector(".seen");
  name.textContent = `${name.dataset.state}: ${trouble ? nothing : seen}`;
  const close = card.querySelector(".chances");
  close.hidden = !chances;
  close.querySelector("span").textContent = chances || "";
  const list = card.querySelector("dl");
  if (numbers && !list.children.length) {
    list.replaceChildren(...numbers.flatMap(([quantity]) => {
      const [term, words] = [document.createElement("dt"), document.createElement("dd")];
      term.textContent = quantity;
      return [term, words];
    }));
  }
  for (const [place, words] of list.querySelectorAll("dd").entries()) {
    words.textContent = numbers ? numbers[place][1] : nothing;
  }
  says.textContent = trouble || "";
  measure.disabled = Boolean(trouble);
  svg.classList.toggle("crossed", Boolean(trouble));
}

// One question at a time: while it is answered the points move on, and the last ones are asked about next.
let asking = false;
let moved = false;
async function askNumbers() {
  moved = true;
  if (asking) return;
  asking = true;
  card.setAttribute("aria-busy", "true");
  while (moved) {
    moved = false;
    const body = new URLSearchParams({ csrf: document.querySelector("#say [name=csrf]").value, points: field.value });
    try {
      const answer = await fetch(edit.dataset.asks, { method: "POST", body, headers: { accept: "application/json" } });
      const found = await answer.json();
      if (!moved) tell(answer.ok ? found : { trouble: `${found.what} ${found.advice}` });
    } catch {
      tell({ trouble: "The desk does not answer. Is it open?" });
    }
  }
  asking = false;
  card.setAttribute("aria-busy", "false");
}

// --- its points ---

function begin() {
  edit.disabled = true;
  measure.disabled = false;
  document.body.classList.add("editing");
  svg.setAttribute("role", "group"); // a picture has nothing in it to focus
  svg.classList.add("edited");
  const shown = document.getElementById("show-outline");
  if (!shown.checked) shown.click();
  const [xMin, , , yMax] = JSON.parse(edit.dataset.window);
  let outline = svg.querySelector(".outline");
  if (!outline) {
    outline = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
    outline.setAttribute("class", "outline");
    svg.append(outline);
  }
  let points = []; // in order round the outline: {x, y, handle, grip}, in mm of the picture, y down
  let current = null; // the one that had the focus last
  const radius = () => handlePx / svg.getScreenCTM().a;

  const update = () => {
    points.forEach((point, place) => {
      for (const circle of [point.handle, point.grip]) {
        circle.setAttribute("cx", point.x);
        circle.setAttribute("cy", point.y);
        circle.setAttribute("r", radius());
      }
      point.handle.setAttribute("aria-label", `Point ${place + 1} of ${points.length} of the outline`);
    });
    outline.setAttribute("points", curve(points));
    // On the card y goes up.
    field.value = JSON.stringify(points.map(({ x, y }) => [x + xMin, yMax - y]));
    document.getElementById("undo").disabled = !past.length;
    document.getElementById("again").disabled = !past.length;
    document.getElementById("less").disabled = points.length <= fewest;
    askNumbers();
  };
  svg.addEventListener("zoomed", () => {
    points.forEach(({ handle, grip }) => [handle, grip].forEach((one) => one.setAttribute("r", radius())));
  });

  // What can be undone: where the points were before each change. Steps of one point with the arrow keys are
  // one change.
  const past = [];
  let last = null;
  const remember = (change) => {
    if (change !== null && change === last) return;
    past.push(points.map(({ x, y }) => [x, y]));
    last = change;
  };

  const circle = (name) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    made.setAttribute("class", name);
    return made;
  };
  const add = (x, y, place) => {
    const [handle, grip] = [circle("handle"), circle("grip")];
    handle.setAttribute("tabindex", "0");
    handle.setAttribute("role", "button");
    handle.setAttribute("aria-describedby", "points-help");
    const point = { x, y, handle, grip };
    handle.addEventListener("focus", () => { current = point; });
    handle.addEventListener("keydown", (event) => {
      if (event.key === "Delete" || event.key === "Backspace") {
        event.preventDefault();
        remove(point);
        return;
      }
      const step = event.shiftKey ? 0.1 : 0.02; // mm
      const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
      if (!move) return;
      event.preventDefault();
      remember(point);
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
  const remove = (point) => {
    if (points.length <= fewest || !points.includes(point)) return;
    remember(null);
    const gone = points.indexOf(point);
    points.splice(gone, 1);
    point.handle.remove();
    point.grip.remove();
    points[gone % points.length].handle.focus();
    update();
  };
  const draw = (all) => {
    const place = Math.max(points.indexOf(current), 0);
    const held = svg.contains(document.activeElement);
    points.forEach(({ handle, grip }) => { handle.remove(); grip.remove(); });
    points = [];
    all.forEach(([x, y]) => add(x, y, points.length));
    current = points[Math.min(place, points.length - 1)];
    if (held) current.handle.focus();
    update();
  };
  const insert = (x, y, place) => {
    if (points.length >= most) return;
    remember(null);
    const point = add(x, y, place);
    update();
    point.handle.focus();
  };

  const first = JSON.parse(edit.dataset.handles).map(([x, y]) => [x - xMin, yMax - y]);
  draw(first);
  if (!("open" in edit.dataset)) points[0].handle.focus(); // else what is wrong has the focus

  document.getElementById("undo").addEventListener("click", () => {
    last = null;
    if (past.length) draw(past.pop());
  });
  document.getElementById("again").addEventListener("click", () => {
    remember(null);
    draw(first);
  });
  document.getElementById("less").addEventListener("click", () => remove(current));
  document.getElementById("more").addEventListener("click", () => {
    const place = points.indexOf(current) + 1;
    const next = points[place % points.length];
    insert((current.x + next.x) / 2, (current.y + next.y) / 2, place);
  });
  document.addEventListener("keydown", (event) => {
    if (event.key.toLowerCase() !== "z" || !(event.ctrlKey || event.metaKey) || event.target.matches("input")) return;
    event.preventDefault();
    document.getElementById("undo").click();
  });

  // A point is taken from a little beside it, too: on a phone it is smaller than a finger. A double click
  // farther from all of them makes a new one, between the two between which it makes the smallest detour.
  const where = (event) => new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  const apart = (one, other) => Math.hypot(one.x - other.x, one.y - other.y);
  const nearest = (at) => {
    const point = points.reduce((one, other) => (apart(other, at) < apart(one, at) ? other : one));
    return apart(point, at) * svg.getScreenCTM().a <= reach ? point : null;
  };
  let taken = null;
  // Before the zoom hears of it: who drags a point does not move the picture.
  svg.addEventListener("pointerdown", (event) => {
    if (taken) { event.stopImmediatePropagation(); return; }
    const at = where(event);
    const point = event.button === 0 ? nearest(at) : null;
    if (!point) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    point.handle.focus();
    taken = { point, dx: point.x - at.x, dy: point.y - at.y, finger: event.pointerId, from: null };
    svg.setPointerCapture(event.pointerId);
  }, true);
  svg.addEventListener("pointermove", (event) => {
    if (!taken || event.pointerId !== taken.finger) return;
    event.stopImmediatePropagation();
    const at = where(event);
    if (!taken.from) remember(null);
    taken.from = at;
    taken.point.x = at.x + taken.dx;
    taken.point.y = at.y + taken.dy;
    update();
  }, true);
  for (const end of ["pointerup", "pointercancel"]) {
    svg.addEventListener(end, (event) => { if (event.pointerId === taken?.finger) taken = null; });
  }
  svg.addEventListener("dblclick", (event) => {
    const at = where(event);
    if (nearest(at)) return;
    const detours = points.map((one, place) => {
      const other = points[(place + 1) % points.length];
      return apart(one, at) + apart(at, other) - apart(one, other);
    });
    insert(at.x, at.y, detours.indexOf(Math.min(...detours)) + 1);
  });
}

if (edit && svg) {
  edit.addEventListener("click", () => { if (!edit.disabled) begin(); });
  if ("open" in edit.dataset) edit.click();
}
