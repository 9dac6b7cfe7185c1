// The page of one reed: "nothing found" answers every question at once, and short codes are remembered.
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

// --- who it is ---

// On this computer only, and only what the book would take: a short code, never a name.
const KEY = "aperture-code";
const CODE = /^[^\W_]([\w.-]{0,22}[^\W_])?$/;
const codes = document.querySelectorAll("input[data-code]");

function remembered() {
  try {
    return localStorage.getItem(KEY) || "";
  } catch {
    return ""; // a browser that keeps nothing
  }
}

for (const field of codes) if (!field.value) field.value = remembered();
document.addEventListener("submit", (event) => {
  const field = event.target.querySelector("input[data-code]");
  const said = field ? field.value.trim() : "";
  if (!CODE.test(said)) return;
  try {
    localStorage.setItem(KEY, said);
  } catch {
    // a browser that keeps nothing
  }
});

// --- a link to a form opens it ---

function open() {
  const one = location.hash && document.getElementById(location.hash.slice(1));
  if (one instanceof HTMLDetailsElement) one.open = true;
}
window.addEventListener("hashchange", open);
open();
