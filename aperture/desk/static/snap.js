// Sends photos as they are taken, one after the other, and again while the connection is broken; times the soak.
"use strict";

const form = document.getElementById("snap");
const photo = document.getElementById("photo");
const progress = document.getElementById("progress");
const again = document.getElementById("again");
const steps = document.getElementById("steps");
const result = document.getElementById("result");

// --- the photos ---

const TRIES = 8; // the pauses between them make one minute and a half
const SEND_TIMEOUT_SECONDS = 150; // the largest photo through a slow network, and others before it
const waiting = []; // photos that the laptop does not have yet
let sending = false;
let answered = null; // a form that waits until all photos are sent, because it leaves this page

let said = ["", ""];

function say(words, kind) {
  said = [words, kind];
  progress.hidden = !words;
  progress.className = "says " + (kind || "");
  progress.textContent = waiting.length > 1 ? `${words} ${waiting.length - 1} more ${waiting.length > 2 ? "wait" : "waits"}.` : words;
}

// Where the photo is that was sent last: 0 being sent, 1 being measured, 2 done.
function step(now, trouble) {
  steps.hidden = false;
  steps.classList.toggle("trouble", Boolean(trouble));
  for (const [place, item] of [...steps.children].entries()) {
    item.classList.toggle("over", place < now);
    if (place === now) item.setAttribute("aria-current", "step");
    else item.removeAttribute("aria-current");
  }
}

const pause = (seconds) => new Promise((go) => setTimeout(go, 1000 * seconds));

function chosen() {
  const typed = { reed: form.reed.value, state: form.state.value, seconds: form.seconds.value, soak: form.soak.value };
  for (const file of photo.files) {
    // Read now: a phone soon forgets where its camera put a photo.
    waiting.push({ ...typed, name: file.name, content: file.arrayBuffer().catch(() => null) });
  }
  photo.value = "";
  form.reed.value = form.state.value = ""; // that was said of this photo, not of the next one
  if (sending) say(...said);
  sendAll();
}

async function sendAll() {
  if (sending) return;
  sending = true;
  again.hidden = true;
  let through = true;
  while (waiting.length && through) {
    through = await send(waiting[0]);
    if (through) waiting.shift();
  }
  sending = false;
  again.hidden = through;
  if (through) {
    say("");
    if (answered) answered.submit();
  } else {
    say("The laptop does not answer. Is it awake, is the desk open, is this phone in its network? The photo waits here.", "bad");
  }
}

// False if the photo must wait. The same photo sent twice is one photo: the book knows it by its content.
async function send(one) {
  const content = await one.content;
  if (!content || !content.byteLength) return refuse("The phone did not hand the photo over. Take it again.");
  if (content.byteLength > Number(form.dataset.mostBytes)) {
    return refuse("It is too large. Take it with the phone’s normal photo size.", content);
  }
  const headers = {
    "X-CSRF": form.dataset.csrf,
    "X-Name": encodeURIComponent(one.name),
    "X-Reed": one.reed,
    "X-State": one.state,
    "X-Seconds": one.seconds,
    "X-Soak": one.soak,
    "Content-Type": "application/octet-stream",
  };
  step(0);
  const answer = await ask("POST", "/snap", headers, content);
  if (!answer) return false;
  const done = parsed(answer.text);
  if (!answer.ok || !done || !done.result) return refuse(wordsOf(answer.status, done), content);
  const part = await ask("GET", done.result, {}, null);
  if (!part) return false;
  if (!part.ok) return refuse(wordsOf(part.status, parsed(part.text)), content);
  show(part.text, one.soak); // made by the desk, in which everything is escaped
  return true;
}

// One request; `sent` is called once all of it is on the laptop. It fails if there is no answer.
function request(method, path, headers, body, sent) {
  return new Promise((go, stop) => {
    const one = new XMLHttpRequest();
    one.open(method, path);
    one.timeout = 1000 * SEND_TIMEOUT_SECONDS;
    for (const [name, value] of Object.entries({ Accept: "application/json", ...headers })) one.setRequestHeader(name, value);
    one.upload.onload = sent;
    one.onload = () => go(one);
    one.onerror = one.ontimeout = one.onabort = stop;
    one.send(body);
  });
}

// What the desk answers; null if it does not, or is busy, however often it is asked.
async function ask(method, path, headers, body) {
  const begin = () => {
    if (!body) return say("Measured. Its result comes …");
    step(0);
    return say("Sending …");
  };
  const sent = () => { step(1); say("Measuring …"); };
  for (let tries = 1; ; tries++) {
    if (tries > 1) say(body ? "Sending again …" : "Asking again …");
    else begin();
    let wait = Math.min(30, 2 ** (tries - 1));
    let words = "The connection is broken.";
    try {
      const answer = await request(method, path, headers, body, sent);
      const { status, responseText: text } = answer;
      if (![408, 429, 503].includes(status)) return { ok: status >= 200 && status < 300, status, text };
      words = status === 408 ? "It went too slowly." : "The laptop is busy.";
      wait = Math.max(wait, Number(answer.getResponseHeader("Retry-After")) || 0);
    } catch (error) {
      // There was no answer.
    }
    if (tries === TRIES) return null;
    if (body) step(0);
    say(`${words} Next try in ${wait} s; keep this page open.`, "look");
    await pause(wait);
  }
}

function parsed(text) {
  try { return JSON.parse(text); } catch (error) { return null; }
}

function wordsOf(status, told) {
  if (status === 401) return "This desk does not know this phone any more. Scan the code on the laptop, then take the photo again.";
  if (told && (told.why || told.what)) return told.why || `${told.what} ${told.advice}`;
  return status === 413 ? "It is too large. Take it with the phone’s normal photo size."
    : `The laptop’s answer was ${status}. Take the photo again.`;
}

// The photo itself, if the phone can show it.
function beside(block, content) {
  const picture = document.createElement("img");
  picture.className = "last";
  picture.alt = "The photo that was refused";
  picture.onload = () => { URL.revokeObjectURL(picture.src); block.prepend(picture); };
  picture.src = URL.createObjectURL(new Blob([content]));
}

function refuse(words, content) {
  const block = document.createElement("article");
  block.className = "card photo";
  const hint = block.appendChild(document.createElement("div"));
  hint.className = "hint";
  const line = hint.appendChild(document.createElement("p"));
  line.className = "says bad";
  line.appendChild(document.createElement("strong")).textContent = "Not taken in.";
  line.append(" ", words);
  if (content) beside(hint, content);
  step(2, true);
  put(block);
  return true;
}

function show(html, soakName) {
  const holder = document.createElement("div");
  holder.innerHTML = html;
  const block = holder.firstElementChild;
  // The desk has used the seconds, for this reed and no other.
  if (block.dataset.timed && soak && soakName === String(soak.begun)) {
    keep({ ...soak, of: block.dataset.timed });
    tick();
  }
  step(2, block.dataset.refused);
  put(block);
}

// The newest first; the same photo once.
function put(block) {
  const same = block.id && document.getElementById(block.id);
  if (same) same.remove();
  const typing = result.contains(document.activeElement);
  result.prepend(block);
  while (result.children.length > Number(result.dataset.recent)) result.lastElementChild.remove();
  if (!typing) block.scrollIntoView();
}

photo.addEventListener("change", chosen);
again.addEventListener("click", sendAll);
window.addEventListener("online", sendAll);
window.addEventListener("beforeunload", (event) => { if (waiting.length) event.preventDefault(); });
result.addEventListener("submit", (event) => {
  if (!waiting.length) return;
  event.preventDefault();
  answered = event.target;
});
chosen(); // somebody may have been faster than this script

// --- the soak ---

const button = document.getElementById("timer");
const left = document.getElementById("left");
const FRESH_SECONDS = 600; // a photo later than this is hardly of this soak
let sound = null;
// When it began, for how many seconds; once it is over, how many it was. Kept while other pages are looked at.
let soak = parsed(sessionStorage.getItem("soak"));

const seconds = () => (Date.now() - soak.begun) / 1000;

function keep(value) {
  soak = value;
  sessionStorage.setItem("soak", JSON.stringify(value));
}

// A phone lets a page sound only after it was touched, so this is done then.
function unlock() {
  try {
    sound = sound || new AudioContext();
    sound.resume();
  } catch (error) { /* without sound the words stay */ }
}

function beep() {
  if (sound) {
    const tone = sound.createOscillator();
    tone.frequency.value = 880;
    tone.connect(sound.destination);
    tone.start();
    tone.stop(sound.currentTime + 0.8);
  }
  if (navigator.vibrate) navigator.vibrate([300, 150, 300]);
}

function tick() {
  if (soak && seconds() > soak.total + FRESH_SECONDS) keep(null);
  if (soak && soak.ran === undefined && seconds() >= soak.total) {
    keep({ ...soak, ran: soak.total });
    beep();
  }
  const over = soak && soak.ran !== undefined;
  form.seconds.value = over ? soak.ran : "";
  form.soak.value = over ? soak.begun : "";
  button.textContent = soak && !over ? "Stop" : "Start";
  if (!soak) left.textContent = "not started";
  else if (!over) left.textContent = `${Math.ceil(soak.total - seconds())} s left`;
  else {
    const words = soak.ran < soak.total ? "Stopped." : "Take it out, shake off the water, take the photo.";
    left.textContent = soak.of ? `Soaked for ${soak.ran} s: kept with ${soak.of}. For another reed, start again.`
      : `${words} It counts as soaked for ${soak.ran} s.`;
  }
}

button.addEventListener("click", () => {
  unlock();
  if (soak && soak.ran === undefined) keep({ ...soak, ran: Math.max(1, Math.round(seconds())) });
  else keep({ begun: Date.now(), total: Number(document.getElementById("seconds").value) || 30 });
  tick();
});
document.addEventListener("click", () => { if (soak && !sound) unlock(); });
setInterval(tick, 250);
tick();
