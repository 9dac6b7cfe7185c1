// Makes drawings larger where one looks: by keys, wheel or two fingers; what is larger is moved by dragging.

const most = 12;
const step = 1.5;

// Drawings that are enlarged alike: tips that lie side by side are always seen at one scale. `judged` is the
// one that takes the pointer.
export class Zoom {
  constructor(drawings, judged) {
    this.drawings = drawings.map((svg) => ({ svg, box: svg.viewBox.baseVal, whole: { ...read(svg) } }));
    this.judged = judged;
    this.scale = 1;
    this.away = { x: 0, y: 0 }; // of what is in the middle, from the middle of the whole, as a part of its size
    this.fingers = new Map();
    judged.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    judged.addEventListener("pointerdown", (event) => this.#down(event));
    judged.addEventListener("pointermove", (event) => this.#move(event));
    for (const end of ["pointerup", "pointercancel"]) judged.addEventListener(end, (event) => this.fingers.delete(event.pointerId));
  }

  larger() { this.to(this.scale * step); }

  smaller() { this.to(this.scale / step); }

  // What lies under `at`, as a part of the drawing's size from its middle, stays there, or goes to `then`.
  to(scale, at = { x: 0, y: 0 }, then = at) {
    const was = this.scale;
    this.scale = Math.min(Math.max(scale, 1), most);
    this.#go({ x: this.away.x + at.x / was - then.x / this.scale, y: this.away.y + at.y / was - then.y / this.scale });
  }

  #go({ x, y }) {
    const room = (1 - 1 / this.scale) / 2;
    const inside = (part) => Math.min(Math.max(part, -room), room);
    this.away = { x: inside(x), y: inside(y) };
    for (const { svg, box, whole } of this.drawings) {
      box.width = whole.width / this.scale;
      box.height = whole.height / this.scale;
      box.x = whole.x + (0.5 + this.away.x) * whole.width - box.width / 2;
      box.y = whole.y + (0.5 + this.away.y) * whole.height - box.height / 2;
      svg.classList.toggle("zoomed", this.scale > 1);
    }
    this.judged.dispatchEvent(new Event("zoomed"));
  }

  #place(event) {
    const box = this.judged.getBoundingClientRect();
    return { x: (event.clientX - box.x) / box.width - 0.5, y: (event.clientY - box.y) / box.height - 0.5 };
  }

  // At its usual size, who turns the wheel back scrolls the page.
  #wheel(event) {
    if (this.scale === 1 && event.deltaY > 0) return;
    event.preventDefault();
    this.to(this.scale * step ** (-event.deltaY / 200), this.#place(event));
  }

  #down(event) {
    if (event.button !== 0) return;
    this.fingers.set(event.pointerId, this.#place(event));
    this.judged.setPointerCapture(event.pointerId); // so that its end is heard of, wherever that is
  }

  #move(event) {
    const was = this.fingers.get(event.pointerId);
    if (!was) return;
    const now = this.#place(event);
    this.fingers.set(event.pointerId, now);
    const [other] = [...this.fingers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
    if (!other) {
      this.to(this.scale, was, now);
      return;
    }
    const box = this.judged.getBoundingClientRect();
    const apart = (one) => Math.max(Math.hypot((one.x - other.x) * box.width, (one.y - other.y) * box.height), 1);
    const middle = (one) => ({ x: (one.x + other.x) / 2, y: (one.y + other.y) / 2 });
    this.to((this.scale * apart(now)) / apart(was), middle(was), middle(now));
  }
}

function read(svg) {
  const { x, y, width, height } = svg.viewBox.baseVal;
  return { x, y, width, height };
}
