// The page: join, read the cautions, record, read the answer.
import { fileOf } from "/file.js";
import { Frames } from "/frames.js";
import { Line } from "/line.js";
import { openMicrophone } from "/sound.js";
import { openMotion } from "/motion.js";
import { Level } from "/level.js";
import { Sending } from "/sending.js";

const at = (id) => document.getElementById(id);
const BUTTONS = { wait: [], read: ["understood"], record: ["sound"], running: ["stop"], judging: [], answer: ["again", "bye"] };
const REFUSALS = {
  403: "This address does not count any more. Scan the code that the computer shows now.",
  409: "This address was opened before, and works once. Start `vibekit phone` again on the computer and scan the new code.",
  429: "Too many at once. Wait a moment and load this page again.",
};
const DENIED = {
  NotAllowedError: "The microphone was not allowed. Tap the sign beside the address, allow it for this page, and try again.",
  NotFoundError: "This browser finds no microphone.",
  NotReadableError: "Another app holds the microphone. Close it and try again.",
};
const ZEROS = "The microphone gives only zeros. Allow it in the phone's settings for this browser, close other apps that use it, and try again.";
const LISTEN_S = 1;
const PATIENCE_S = 5;
const EFFECTS = { echoCancellation: "echo cancellation", noiseSuppression: "noise suppression", autoGainControl: "gain control" };

const BROKEN = "The connection to the computer broke. Nothing is lost: this page keeps the recording and sends it when both are in the same network again. Leave it open.";
const UNSENT = "This page still holds the recording: keep it on this phone, and send it as a file later.";

const line = new Line(`wss://${location.host}/talk`);
let plan = null;
let halt = null; // ends the take that is under way
let unsent = []; // takes of which the computer has not said that it has them whole

function show(step) {
  const busy = step === "running" || step === "judging";
  const section = busy ? "record" : step;
  for (const one of document.querySelectorAll("main > section")) one.hidden = one.id !== section;
  for (const one of document.querySelectorAll("footer > button")) one.hidden = !BUTTONS[step].includes(one.id);
  if (!busy) offer();
  at("others").hidden = at("how").hidden = at("position").disabled = busy;
  at(step === "running" ? "stop" : `${section}-head`).focus({ preventScroll: busy });
  if (!busy) scrollTo(0, 0);
}

// Takes that only this phone holds can be kept as its files.
function offer() {
  at("save").hidden = !unsent.length;
}

function save() {
  for (const { frames, name } of unsent) {
    const { blob, extension } = fileOf(frames);
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: `${name}.${extension}` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
  }
  say("Kept among this phone's downloads.");
}

function list(id, lines) {
  at(id).replaceChildren(...lines.map((line) => Object.assign(document.createElement("li"), { textContent: line })));
}

function say(text) {
  at("status").textContent = text;
}

// To the start of a recording, with what went wrong in sight.
function back(text) {
  say(text);
  show("record");
  at("status").scrollIntoView({ block: "nearest" });
}

// The cautions are longer than a small screen: the button leads through them first.
function leadOn() {
  const text = at("cautions").getBoundingClientRect();
  const foot = document.querySelector("footer").getBoundingClientRect();
  const end = text.bottom > (foot.left < text.right ? foot.top : innerHeight) + 1; // held sideways, the button stands beside the text
  at("understood").textContent = end ? "Read on" : "I have read this";
  return end;
}

async function join() {
  const answer = await fetch("/join", { method: "POST", body: JSON.stringify({ token: location.hash.slice(1) }) });
  if (!answer.ok) throw new Error(REFUSALS[answer.status] ?? `The computer refused (${answer.status}).`);
  history.replaceState(null, "", "/"); // the token is spent
  plan = await answer.json();
  at("title").textContent = plan.title || "Phone as sensor";
  at("task").textContent = plan.task;
  at("how").textContent = plan.how;
  list("cautions", plan.cautions);
  at("chooser").hidden = plan.positions.length < 2;
  at("position").replaceChildren(...plan.positions.map((name, index) => new Option(name, index)));
  at("motion-offer").hidden = !plan.motion;
  at("file").accept = ["audio/*", "video/*", ...plan.extensions].join(",");
  at("time").hidden = plan.seconds === null;
  await line.connect();
  show("read");
  leadOn();
}

function note(text) {
  if (!at("note").textContent.includes(text)) at("note").textContent += ` ${text}`;
  at("note").hidden = false;
}

function unnote(text) {
  at("note").textContent = at("note").textContent.replace(` ${text}`, "");
  at("note").hidden = !at("note").textContent;
}

async function stayAwake() {
  try {
    return await navigator.wakeLock.request("screen");
  } catch {
    note("Keep the screen on by hand: this browser does not.");
    return null;
  }
}

async function take(open, layout) {
  const level = new Level(at("level"), at("bar"), at("loud"), layout.unit);
  let sensor = null;
  let lock = null;
  let sending = null;
  const awake = async () => {
    if (document.visibilityState === "visible") lock = await stayAwake();
    else note("The page was left: what is missing will be marked as a gap.");
  };
  at("note").textContent = "";
  at("note").hidden = true;
  show("running");
  try {
    if (!line.open) await line.connect();
    sensor = await open();
    if (sensor.kept.length) note(changed(sensor.kept));
    document.addEventListener("visibilitychange", awake);
    await awake();
    const told = (await Promise.all([countDown(), listen(sensor, layout, level)])).find(Boolean);
    if (told) throw new Error(told);
    const position = Number(at("position").value || 0);
    const frames = new Frames(layout.Kind, layout.width, layout.most, sensor.rate);
    sending = new Sending(line, frames, { position, ...sensor.announcement }, connection);
    await Promise.race([sending.begun, sending.outcome]);
    unsent.push({ frames, name: nameOf(position, sensor.kept) });
    const ended = await stream(sensor, layout, level, sending);
    await sensor.close();
    sensor = null;
    show("judging");
    say(`${ended} The computer is looking at it …`);
    if (sending.mending) connection("broken");
    const said = await sending.outcome;
    unsent = unsent.filter((one) => one.frames !== frames);
    answer(said);
  } catch (error) {
    unsent = unsent.filter((one) => one.frames.kept.length);
    const why = DENIED[error.name] ?? error.message;
    back(sending && unsent.length ? `${why} ${UNSENT}` : why);
  } finally {
    halt = null;
    document.removeEventListener("visibilitychange", awake);
    await sensor?.close();
    await lock?.release();
    level.clear();
  }
}

// What the connection does while a take is under way.
function connection(state) {
  if (state) note(BROKEN);
  else unnote(BROKEN);
  if (state && at("stop").hidden) offer();
  else at("save").hidden = true;
}

function nameOf(position, kept) {
  const when = new Date().toISOString().slice(0, 19).replace(/[-:]/g, "");
  const words = [plan.title, plan.positions[position], when, kept.length ? "processed" : ""];
  return words.filter(Boolean).join("-").replace(/[^\p{L}\p{N}-]/gu, "-");
}

function changed(kept) {
  const words = kept.map((name) => EFFECTS[name]).join(" and ");
  return `This browser does not say that ${words} is off: levels will be compared with nothing. The phone's own recorder, sent as a file, may do better.`;
}

// Listen before it counts; give "" when there is something to be heard, else what is wrong.
function listen(sensor, layout, level) {
  return new Promise((done) => {
    let rows = 0;
    sensor.onblock = (block) => {
      level.add(block, layout);
      rows += block.length;
      if (!level.silent || !sensor.rate) done("");
      else if (rows > LISTEN_S * sensor.rate) done(ZEROS);
    };
    setTimeout(() => done("The microphone gives no sound."), 1000 * PATIENCE_S);
  });
}

// Count down; give "" at its end, or why it was stopped.
function countDown() {
  return new Promise((done) => {
    let left = plan.countdown_s;
    const tick = () => {
      if (left <= 0) return done("");
      say(`Hands off. Recording in ${left} …`);
      left -= 1;
      timer = setTimeout(tick, 1000);
    };
    let timer = null;
    halt = () => {
      clearTimeout(timer);
      done("Stopped before it began.");
    };
    tick();
  });
}

// Take what the sensor gives until it is enough; give why it ended.
function stream(sensor, layout, level, sending) {
  const { frames } = sending;
  return new Promise((yes, no) => {
    let firstMs = null;
    let shown = -1;
    const finish = (why) => {
      sensor.onblock = () => {};
      frames.flush();
      sending.end();
      yes(why);
    };
    halt = () => finish("Stopped.");
    sensor.onend = finish;
    sending.onenough = () => finish("Recorded.");
    sending.outcome.catch(no);
    sensor.onblock = (rows, takenMs, lost) => {
      firstMs ??= takenMs;
      frames.add(rows, takenMs, lost);
      sending.tick();
      level.add(rows, layout);
      const seconds = sensor.rate ? (frames.row + frames.filled) / sensor.rate : (takenMs - firstMs) / 1000;
      if (Math.floor(seconds) !== shown) {
        shown = Math.floor(seconds);
        say(plan.seconds === null ? `Recording: ${shown} s` : `Recording: ${shown} of ${plan.seconds} s`);
        at("time").value = plan.seconds === null ? 0 : seconds / plan.seconds;
      }
      if (plan.seconds !== null && seconds >= plan.seconds) finish("Recorded.");
    };
  });
}

function answer(said) {
  at("mark").className = said.state;
  at("mark").textContent = said.mark;
  at("words").textContent = said.words;
  for (const id of ["verdict", "act", "caution", "kept"]) at(id).textContent = said[id].replaceAll(" %", "\u00a0%");
  list("remarks", said.remarks);
  say("");
  at("time").value = 0;
  show("answer");
}

function send(file) {
  if (file.size > plan.most_bytes) {
    at("file").value = "";
    return say(`The file has ${Math.round(file.size / 1e6)} MB, more than is taken. Cut it, or send its sound only.`);
  }
  const extension = /\.[^.]*$/.exec(file.name)?.[0] ?? "";
  const request = new XMLHttpRequest(); // it tells how much is sent, which fetch does not
  request.open("POST", "/file");
  request.setRequestHeader("X-Extension", extension);
  request.setRequestHeader("X-Position", at("position").value || "0");
  request.responseType = "json";
  show("running");
  halt = () => request.abort();
  request.upload.onprogress = ({ loaded, total }) => {
    at("time").hidden = false;
    at("time").value = loaded / total;
    say(loaded < total ? `Sending: ${Math.floor((100 * loaded) / total)} %` : "The computer is looking at it …");
  };
  request.onload = () => {
    if (request.status === 200) return answer(request.response);
    back(request.response?.text ?? REFUSALS[request.status] ?? `The computer refused (${request.status}).`);
  };
  request.onabort = request.onerror = () => {
    back("The file was not sent. Try again.");
  };
  request.onloadend = () => {
    halt = null;
    at("file").value = "";
    at("time").hidden = plan.seconds === null;
  };
  request.send(file);
}

const SOUND = { Kind: Float32Array, width: 1, most: 2048, unit: "dB" };
const MOTION = { Kind: Float64Array, width: 4, most: 15, unit: "m/s²" };
at("understood").onclick = () => (leadOn() ? scrollBy(0, innerHeight / 2) : show("record"));
addEventListener("scroll", leadOn);
addEventListener("resize", leadOn);
at("sound").onclick = () => take(openMicrophone, SOUND);
at("motion").onclick = () => take(openMotion, MOTION);
at("stop").onclick = () => halt?.();
at("save").onclick = save;
addEventListener("beforeunload", (event) => unsent.length && event.preventDefault());
at("again").onclick = () => show("record");
at("file").onchange = () => at("file").files.length && send(at("file").files[0]);
at("bye").onclick = async () => {
  if (!line.open) await line.connect();
  line.say({ type: "bye" });
  at("wait-head").textContent = "Done";
  at("wait-text").textContent = "The computer has stopped listening. This page can be closed.";
  show("wait");
};
join().catch((error) => {
  at("wait-head").textContent = "Not connected";
  at("wait-text").textContent = error.message;
});
