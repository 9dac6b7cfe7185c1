// Sends photos one after the other, with a bar; a folder can be dropped on the page.
"use strict";

const form = document.getElementById("import");
const going = document.getElementById("going");
const bar = document.getElementById("bar");
const words = document.getElementById("words");
const list = document.getElementById("list");
const button = form.querySelector("button");

// The outcomes in the order in which they are counted, and how each is called there.
const COUNTED = { "taken in": "taken in", "to review": "to review", "take again": "to take again", refused: "refused", "already there": "already there" };
const sections = new Map([...list.querySelectorAll("section")].map((one) => [one.dataset.outcome, one]));

function clear() {
  for (const section of sections.values()) {
    section.querySelector("ul").replaceChildren();
    section.hidden = true;
  }
}

// A line that the desk made, in which everything is escaped, or of text alone.
function tell(outcome, line) {
  const section = sections.get(outcome);
  const lines = section.querySelector("ul");
  if (typeof line === "string") lines.insertAdjacentHTML("beforeend", line);
  else lines.append(line);
  section.querySelector(".count").textContent = lines.children.length;
  section.hidden = false;
}

// A photo that did not reach the desk.
function tellOfTrouble(name, words) {
  const line = document.createElement("li");
  line.textContent = `${name}: ${words}`;
  tell("refused", line);
}

function counted() {
  return Object.entries(COUNTED)
    .map(([outcome, words]) => [sections.get(outcome).querySelectorAll("li").length, words])
    .filter(([count]) => count).map(([count, words]) => `${count} ${words}`);
}

async function post(address, headers, body) {
  const answer = await fetch(address, { method: "POST", headers: { "X-CSRF": form.dataset.csrf, ...headers }, body });
  if (answer.ok) return answer.json();
  if (answer.status === 413) throw new Error("The file is too large.");
  throw new Error(answer.status === 403 ? "This page is too old. Load it again." : `The desk said ${answer.status}.`);
}

const why = (error) => (error instanceof TypeError ? "The desk does not answer. Is it open?" : error.message);

// `files`: [name with its folders, file]. Which of them are photos, and in what order, the desk says.
async function take(files) {
  if (button.disabled) return; // one import after the other
  going.hidden = false;
  clear();
  button.disabled = true;
  bar.value = 0;
  try {
    await takeAll(files);
  } catch (error) {
    words.textContent = why(error);
  }
  button.disabled = false;
}

async function takeAll(files) {
  const names = JSON.stringify(files.map(([name]) => name));
  const places = await post("/import/names", { "Content-Type": "application/json" }, names);
  bar.max = Math.max(places.length, 1);
  for (const [done, place] of places.entries()) {
    const [name, file] = files[place];
    words.textContent = `${done} of ${places.length} photos`;
    try {
      const one = await post("/import/photo", {
        "X-Name": encodeURIComponent(file.name),
        "X-Folders": encodeURIComponent(name.split("/").slice(-3, -1).join("/")),
        "X-Lot": encodeURIComponent(form.lot.value),
        "X-Seconds": form.seconds.value,
        "Content-Type": "application/octet-stream",
      }, file);
      tell(one.outcome, one.line);
    } catch (error) {
      tellOfTrouble(name, why(error));
    }
    bar.value = done + 1;
  }
  const told = counted();
  const others = files.length - places.length;
  if (others) told.push(others === 1 ? "1 other file passed over, not called like a photo" : `${others} other files passed over, not called like photos`);
  words.textContent = told.length ? `Done: ${told.join(", ")}.` : "There was no photo in it.";
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  const chosen = [...form.folder.files, ...form.photos.files];
  take(chosen.map((file) => [file.webkitRelativePath || file.name, file]));
});

// The files of what was dropped, however deep, each with its folders.
async function within(entry) {
  if (entry.isFile) {
    const file = await new Promise((go, stop) => entry.file(go, stop));
    return [[entry.fullPath.replace(/^\//, ""), file]];
  }
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    const some = await new Promise((go, stop) => reader.readEntries(go, stop));
    if (!some.length) return (await Promise.all(found.map(within))).flat();
    found.push(...some);
  }
}

document.addEventListener("dragover", (event) => { event.preventDefault(); document.body.classList.add("dropping"); });
document.addEventListener("dragleave", () => document.body.classList.remove("dropping"));
document.addEventListener("drop", async (event) => {
  event.preventDefault();
  document.body.classList.remove("dropping");
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry()).filter(Boolean);
  try {
    take((await Promise.all(entries.map(within))).flat());
  } catch (error) {
    going.hidden = false;
    words.textContent = "The folder cannot be read.";
  }
});
