// Sends photos one after the other, with a bar; a folder can be dropped on the page.
"use strict";

const form = document.getElementById("import");
const going = document.getElementById("going");
const bar = document.getElementById("bar");
const words = document.getElementById("words");
const list = document.getElementById("list");
const button = form.querySelector("button");

function add(line, address, words) {
  const link = document.createElement("a");
  link.href = address;
  link.textContent = words;
  line.append(" ", link);
}

function tell(text, sha256, code) {
  const line = document.createElement("li");
  line.textContent = text;
  if (sha256) add(line, `/review/${sha256}`, "Say which");
  if (code) add(line, `/help/flags#${code}`, "What it means");
  list.append(line);
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
  list.replaceChildren();
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
  const counts = {};
  bar.max = Math.max(places.length, 1);
  for (const [done, place] of places.entries()) {
    const [name, file] = files[place];
    words.textContent = `${done} of ${places.length} photos`;
    let one;
    try {
      one = await post("/import/photo", {
        "X-Name": encodeURIComponent(file.name),
        "X-Folders": encodeURIComponent(name.split("/").slice(-3, -1).join("/")),
        "X-Lot": encodeURIComponent(form.lot.value),
        "X-Seconds": form.seconds.value,
        "Content-Type": "application/octet-stream",
      }, file);
    } catch (error) {
      one = { what: "failed", why: why(error) };
    }
    counts[one.what] = (counts[one.what] || 0) + 1;
    if (one.why) tell(`${name}: ${one.what}. ${one.why}`, one.what === "not assigned" && one.sha256, one.code);
    bar.value = done + 1;
  }
  const told = Object.entries(counts).map(([what, count]) => `${count} ${what}`);
  const others = files.length - places.length;
  if (others) told.push(`${others} left out, not called like a photo`);
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
