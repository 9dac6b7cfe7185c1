// The page of one reed: "nothing found" answers every question at once.
"use strict";

// --- nothing found ---

for (const all of document.querySelectorAll("[data-asked]")) {
  const form = all.form;
  const asked = all.dataset.asked.split(" ");
  const radio = (name, value) => form.querySelector(`input[name="${name}"][value="${value}"]`);
  all.addEventListener("change", () => {
    for (const name of asked) {
      const [from, to] = all.checked ? ["", "no"] : ["no", ""];
      // What was answered "yes" stays.
      if (radio(name, from).checked) radio(name, to).checked = true;
    }
  });
  // Whoever takes an answer back means it: the box must not answer in its place.
  form.addEventListener("change", (event) => {
    if (event.target.type === "radio" && event.target.value !== "no") all.checked = false;
  });
}

// --- a link to a form opens it ---

function open() {
  const one = location.hash && document.getElementById(location.hash.slice(1));
  if (one instanceof HTMLDetailsElement) one.open = true;
}
window.addEventListener("hashchange", open);
open();
