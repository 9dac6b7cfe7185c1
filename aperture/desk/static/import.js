// Sends photos one after the other and tells what the desk makes of them; a folder can be dropped on the page.
// The desk takes in what it has, whether this page is looked at or not.
"use strict";

const form = document.getElementById("import");
const going = document.getElementById("going");
const bar = document.getElementById("bar");
const words = document.getElementById("words");
const list = document.getElementById("list");
const watched = document.getElementById("watched");
const button = form.querySelector("button");

// --- what became of them ---

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
function tellOfTrouble(name, trouble) {
  const line = document.createElement("li");
  line.textContent = `${name}: ${trouble}`;
  tell("refused", line);
}

function counted() {
  return Object.entries(COUNTED)
    .map(([outcome, called]) => [sections.get(outcome).querySelectorAll("li").length, called])
    .filter(([count]) => count).map(([count, called]) => `${count} ${called}`);
}

// --- how far it is ---

const sending = { asked: false, left: 0, all: 0, drawn: 0, others: 0, trouble: "" }; // of this page
// Of the desk: which lot of photos it is at, how many of that were sent and are done, and how long one takes.
const desk = { lot: Number(list.dataset.lot), sent: Number(list.dataset.sent), done: Number(list.dataset.done), secondsEach: null };

// What the desk said, in whatever order its answers come; false if that is of a lot that is past.
function adopt({ lot, sent = 0, done = 0 }) {
  if (lot < desk.lot) return false;
  if (lot > desk.lot) {
    clear();
    Object.assign(desk, { lot, sent: 0, done: 0 });
  }
  desk.sent = Math.max(desk.sent, sent);
  desk.done = Math.max(desk.done, done);
  return true;
}

const photos = (count) => (count === 1 ? "1 photo" : `${count} photos`);

function timeLeft(count) {
  if (!desk.secondsEach || desk.done < 2) return "";
  const seconds = desk.secondsEach * count;
  return seconds < 90 ? `; about ${Math.max(5, 5 * Math.round(seconds / 5))} s left` : `; about ${Math.round(seconds / 60)} min left`;
}

function showHowFar() {
  const waiting = desk.sent - desk.done;
  const left = waiting + sending.left;
  going.hidden = !desk.sent && !sending.asked;
  bar.max = Math.max(desk.sent + sending.left, 1);
  bar.value = left ? desk.done : bar.max;
  if (sending.trouble) words.textContent = sending.trouble;
  else if (sending.left) words.textContent = `Sending: ${sending.all - sending.left} of ${photos(sending.all)} sent, ${desk.done} done${timeLeft(left)}. Keep this page open until all are sent.`;
  else if (waiting) words.textContent = `${desk.done} of ${photos(desk.sent)} done${timeLeft(left)}. You can leave this page: it goes on.`;
  else {
    const told = counted();
    if (sending.drawn) told.push(`${photos(sending.drawn)} passed over, called like the pictures that this program draws (…_annotated, …_dry-soaked); if it is one of yours, give it another name`);
    if (sending.others) told.push(sending.others === 1 ? "1 other file passed over, not called like a photo" : `${sending.others} other files passed over, not called like photos`);
    words.textContent = told.length ? `Done: ${told.join(", ")}.` : "There was no photo in it.";
  }
}

// Asks the desk for news again and again; it answers when there are any.
async function follow() {
  let next = Number(list.dataset.next);
  let version = 0;
  for (;;) {
    try {
      const answer = await fetch(`/import/news?after=${next}&version=${version}`, { headers: { Accept: "application/json" } });
      if (!answer.ok) throw new Error(answer.status);
      const news = await answer.json();
      ({ next, version } = news);
      if (sending.trouble === SILENT) sending.trouble = "";
      desk.secondsEach = news.secondsEach;
      if (adopt(news)) for (const one of news.lines) tell(one.outcome, one.line);
      // Made by the desk, in which everything is escaped.
      if (watched.dataset.said !== news.watch) watched.innerHTML = watched.dataset.said = news.watch;
      watched.hidden = !news.watch;
      showHowFar();
    } catch (error) {
      if (desk.sent > desk.done) sending.trouble = SILENT;
      if (desk.sent > desk.done) showHowFar();
      await new Promise((go) => setTimeout(go, 3000));
    }
  }
}

// --- sending ---

const SILENT = "The desk does not answer. Is it open?";
const OLD = "The desk was closed since this page was opened. Open it again, load this page again, then choose the photos once more.";

async function post(address, headers, body) {
  const answer = await fetch(address, { method: "POST", headers: { "X-CSRF": form.dataset.csrf, ...headers }, body });
  if (answer.ok) return answer;
  if (answer.status === 413) throw new Error("The file is too large.");
  if ([401, 403].includes(answer.status)) throw new Error(OLD);
  throw new Error(`The desk said ${answer.status}.`);
}

const why = (error) => (error instanceof TypeError ? SILENT : error.message);

// `files`: [name with its folders, file]. Which of them are photos, and in what order, the desk says.
async function take(files) {
  if (button.disabled) return; // one import after the other
  button.disabled = true;
  Object.assign(sending, { asked: true, left: 0, all: 0, drawn: 0, others: 0, trouble: "" });
  try {
    await sendAll(files);
  } catch (error) {
    sending.trouble = why(error);
  }
  sending.left = 0;
  button.disabled = false;
  showHowFar();
}

async function sendAll(files) {
  const names = JSON.stringify(files.map(([name]) => name));
  const answer = await post("/import/names", { "Content-Type": "application/json" }, names);
  const places = await answer.json();
  adopt({ lot: Number(answer.headers.get("X-Arrivals")) });
  const drawn = Number(answer.headers.get("X-Drawn"));
  Object.assign(sending, { left: places.length, all: places.length, drawn, others: files.length - places.length - drawn });
  showHowFar();
  going.scrollIntoView({ block: "nearest" });
  for (const place of places) {
    const [name, file] = files[place];
    try {
      const answer = await post("/import/photo", {
        "X-Later": "1",
        "X-Name": encodeURIComponent(file.name),
        "X-Folders": encodeURIComponent(name.split("/").slice(-3, -1).join("/")),
        "X-Lot": encodeURIComponent(form.lot.value),
        "X-Seconds": form.seconds.value,
        "Content-Type": "application/octet-stream",
      }, file);
      adopt(await answer.json());
    } catch (error) {
      tellOfTrouble(name, why(error));
    }
    sending.left -= 1;
    showHowFar();
  }
}

window.addEventListener("beforeunload", (event) => { if (sending.left) event.preventDefault(); });
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

follow();
