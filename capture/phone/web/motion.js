// The motion sensor: slow and rounded in every browser, and taken with its own times.
const PATIENCE_MS = 1500;
const ASKED_HZ = 60; // browsers give no more

// Give a sensor like openMicrophone() does; its blocks are rows of ms, x, y, z in m/s2.
export async function openMotion() {
  if (typeof DeviceMotionEvent !== "undefined" && DeviceMotionEvent.requestPermission) {
    if ((await DeviceMotionEvent.requestPermission()) !== "granted") throw new Error("The motion sensor was not allowed.");
  }
  const sensor = { onblock: () => {}, onend: () => {}, kept: [], announcement: { kind: "motion" }, rate: 0 };
  const hand = (ms, { x, y, z }) => {
    if (x === null || x === undefined) return;
    sensor.started();
    sensor.onblock(Float64Array.of(ms, x, y, z), ms, 0);
  };
  const started = new Promise((yes, no) => {
    sensor.started = yes;
    setTimeout(() => no(new Error("This phone's browser gives no motion readings. Allow motion sensors for this page in its settings, or record sound: it shows more.")), PATIENCE_MS);
  });
  sensor.close = typeof Accelerometer === "function" ? byAccelerometer(hand) : byEvents(hand);
  try {
    await started;
  } catch (error) {
    sensor.close();
    throw error;
  }
  return sensor;
}

function byAccelerometer(hand) {
  const accelerometer = new Accelerometer({ frequency: ASKED_HZ });
  accelerometer.addEventListener("reading", () => hand(accelerometer.timestamp, accelerometer));
  accelerometer.start();
  return () => accelerometer.stop();
}

function byEvents(hand) {
  const listen = (event) => hand(event.timeStamp, event.accelerationIncludingGravity ?? {});
  addEventListener("devicemotion", listen);
  return () => removeEventListener("devicemotion", listen);
}
