// The microphone: as little done to its sound as the browser allows, and what it did nevertheless read back.
const PLAIN = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
const PATIENCE_MS = 10_000;
const BLOCKS_KEPT = 500; // of 10 ms, while this page is held up

// Give a microphone with `rate`, `announcement`, `kept` (effects that stayed on) and `onblock(samples, takenMs, lost)`; close() lets it go.
export async function openMicrophone() {
  if (!navigator.mediaDevices) throw new Error("This browser gives no microphone to this page; open the address with https.");
  const stream = await navigator.mediaDevices.getUserMedia({ audio: PLAIN });
  const track = stream.getAudioTracks()[0];
  const settings = track.getSettings();
  const microphone = { onblock: () => {}, onend: () => {}, kept: Object.keys(PLAIN).filter((name) => name !== "channelCount" && settings[name] !== false) };
  track.addEventListener("ended", () => microphone.onend("The phone took the microphone away."));
  const way = typeof MediaStreamTrackProcessor === "function" ? "track" : "worklet";
  const opened = way === "track" ? tapTrack(track, microphone) : tapWorklet(stream, microphone);
  const late = new Promise((_, no) => setTimeout(() => no(new Error("The microphone gives no sound.")), PATIENCE_MS));
  const tap = await Promise.race([opened, late]).catch((error) => {
    track.stop();
    throw error;
  });
  const { echoCancellation, noiseSuppression, autoGainControl, sampleRate } = settings;
  microphone.rate = tap.rate;
  microphone.announcement = { kind: "sound", rate: tap.rate, way, settings: { echoCancellation, noiseSuppression, autoGainControl, sampleRate } };
  microphone.close = async () => {
    track.stop();
    await tap.close();
  };
  return microphone;
}

// Chromium: sound as the track delivers it, with the time at which it was taken.
async function tapTrack(track, microphone) {
  const reader = new MediaStreamTrackProcessor({ track, maxBufferSize: BLOCKS_KEPT }).readable.getReader();
  const first = await reader.read();
  if (first.done) throw new Error("The microphone gave no sound.");
  const rate = first.value.sampleRate;
  first.value.close();
  const running = (async () => {
    for (;;) {
      const { value, done } = await reader.read();
      if (done) return;
      const samples = new Float32Array(value.numberOfFrames);
      value.copyTo(samples, { planeIndex: 0, format: "f32-planar" });
      const { timestamp, sampleRate } = value;
      value.close();
      if (sampleRate !== rate) return microphone.onend(`The phone changed its rate from ${rate} to ${sampleRate} Hz.`);
      microphone.onblock(samples, timestamp / 1000, 0);
    }
  })();
  return { rate, close: () => running };
}

// Other browsers: through the audio graph, at the rate that it has by itself.
async function tapWorklet(stream, microphone) {
  const context = new AudioContext({ latencyHint: "playback" });
  await context.audioWorklet.addModule("/tap.js");
  const tap = new AudioWorkletNode(context, "tap", { numberOfInputs: 1, numberOfOutputs: 0, channelCount: 1, channelCountMode: "explicit" });
  let due = null;
  tap.port.onmessage = ({ data: { samples, first, takenMs } }) => {
    const lost = due === null ? 0 : first - due;
    due = first + samples.length;
    microphone.onblock(samples, takenMs, lost);
  };
  context.createMediaStreamSource(stream).connect(tap);
  await context.resume();
  return { rate: context.sampleRate, close: () => context.close() };
}
