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

// --- what was typed before one went away and came back ---

// The browser puts it back into the fields; it is not to stand in a form that is closed.
const typed = (field) => {
  if (field.type === "hidden") return false;
  if (field.matches("input[type=radio], input[type=checkbox]")) return field.checked !== field.defaultChecked;
  if (field.matches("select")) return [...field.options].some((one) => one.selected && !one.defaultSelected && one.index);
  return field.value !== field.defaultValue;
};
window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll(".enter details")) {
    if ([...form.querySelectorAll("input, select")].some(typed)) form.open = true;
  }
});
