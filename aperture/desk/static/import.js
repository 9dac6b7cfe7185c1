// Sends photos one after the other, with a bar; a folder can be dropped on the page.
"use strict";

const form = document.getElementById("import");
const bar = document.getElementById("bar");
const words = document.getElementById("words");
const list = document.getElementById("list");
const counts = {};

async function take(files) {
  document.getElementById("going").hidden = false;
  bar.max = files.length;
  for (const [place, file] of files.entries()) {
    words.textContent = `${place} of ${files.length} photos`;
    let done;
    try {
      const answer = await fetch("/import/photo", {
        method: "POST",
        headers: {
          "X-CSRF": form.dataset.csrf,
          "X-Name": encodeURIComponent(file.name),
          "X-Lot": form.lot.value,
          "Content-Type": "application/octet-stream",
        },
        body: file,
      });
      if (answer.status === 429) { await new Promise((go) => setTimeout(go, 5000)); }
      done = answer.ok ? await answer.json() : { what: "failed", why: `The desk said ${answer.status}.` };
    } catch (error) {
      done = { what: "failed", why: "The desk does not answer." };
    }
    counts[done.what] = (counts[done.what] || 0) + 1;
    if (done.why) {
      const line = document.createElement("li");
      line.textContent = `${file.name}: ${done.what}. ${done.why}`;
      list.append(line);
    }
    bar.value = place + 1;
  }
  const told = Object.entries(counts).map(([what, count]) => `${count} ${what}`);
  words.textContent = `Done: ${told.join(", ")}.`;
}

const pictures = (files) => [...files].filter((file) => /\.(jpe?g|png|hei[cf]|tiff?|webp)$/i.test(file.name));

form.addEventListener("submit", (event) => {
  event.preventDefault();
  take(pictures(form.photos.files));
});

async function within(entry) {
  if (entry.isFile) return [await new Promise((go, stop) => entry.file(go, stop))];
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    const some = await new Promise((go, stop) => reader.readEntries(go, stop));
    if (!some.length) return (await Promise.all(found.map(within))).flat();
    found.push(...some);
  }
}

document.addEventListener("dragover", (event) => event.preventDefault());
document.addEventListener("drop", async (event) => {
  event.preventDefault();
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry()).filter(Boolean);
  take(pictures((await Promise.all(entries.map(within))).flat()));
});
