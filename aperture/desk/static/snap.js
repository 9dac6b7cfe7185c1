// Sends a photo as soon as it is taken, and again while the connection is broken; counts the soak down.
"use strict";

const form = document.getElementById("snap");
const photo = document.getElementById("photo");
const progress = document.getElementById("progress");
const result = document.getElementById("result");

function say(words, kind) {
  progress.hidden = false;
  progress.className = "says " + (kind || "");
  progress.textContent = words;
}

const pause = (seconds) => new Promise((go) => setTimeout(go, 1000 * seconds));

// The same photo sent twice is one photo: the book knows it by its content.
async function send(file) {
  result.textContent = ""; // nobody should answer for the photo before
  for (let tries = 0; ; tries++) {
    try {
      say(tries ? "Sending again …" : "Sending …");
      const answer = await fetch("/snap", {
        method: "POST",
        headers: {
          "X-CSRF": form.dataset.csrf,
          "X-Name": encodeURIComponent(file.name),
          "X-Reed": form.reed.value,
          "X-State": form.state.value,
          "Content-Type": "application/octet-stream",
        },
        body: file,
      });
      if (answer.status === 401 || answer.status === 403) return say("Scan the code on the laptop again.", "bad");
      if (answer.status === 413) return say("That photo is too large.", "bad");
      if (answer.status === 429) { say("A little too fast. Waiting …", "look"); await pause(20); continue; }
      if (answer.ok) return show(await answer.json());
      throw new Error(String(answer.status));
    } catch (error) {
      const wait = Math.min(30, 2 ** tries);
      say(`The connection is broken. Next try in ${wait} s; keep this page open.`, "look");
      await pause(wait);
    }
  }
}

async function show(done) {
  if (!done.result) return say(done.why || "The photo could not be taken in.", "bad");
  const part = await (await fetch(done.result)).text();
  progress.hidden = true;
  result.innerHTML = part; // made by the desk, in which everything is escaped
  result.scrollIntoView();
}

async function sendChosen() {
  const file = photo.files[0];
  if (!file) return;
  await send(file);
  photo.value = ""; // the next photo may have the same name
}

photo.addEventListener("change", sendChosen);
sendChosen(); // somebody may have been faster than this script

// --- the soak ---

const button = document.getElementById("timer");
const left = document.getElementById("left");
let ticking = null;

function beep() {
  try {
    const sound = new AudioContext();
    const tone = sound.createOscillator();
    tone.frequency.value = 880;
    tone.connect(sound.destination);
    tone.start();
    tone.stop(sound.currentTime + 0.8);
  } catch (error) { /* without sound the words stay */ }
  if (navigator.vibrate) navigator.vibrate([300, 150, 300]);
}

function stop(words) {
  clearInterval(ticking);
  ticking = null;
  button.textContent = "Start";
  left.textContent = words;
}

button.addEventListener("click", () => {
  if (ticking) return stop("stopped");
  const end = Date.now() + 1000 * Number(document.getElementById("seconds").value || 30);
  button.textContent = "Stop";
  const tick = () => {
    const seconds = Math.ceil((end - Date.now()) / 1000);
    if (seconds > 0) left.textContent = `${seconds} s left`;
    else { stop("Take it out, shake off the water, take the photo."); beep(); }
  };
  ticking = setInterval(tick, 250);
  tick();
});
