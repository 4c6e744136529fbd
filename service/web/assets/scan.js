// Reads a tray's code with the camera, where the browser can, and opens its batch.
const texts = JSON.parse(document.getElementById("texts").textContent);
const say = (key, values = {}) => texts[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
const at = (id) => document.getElementById(id);

async function able() {
  if (!("BarcodeDetector" in window) || !navigator.mediaDevices?.getUserMedia) return false;
  const formats = await BarcodeDetector.getSupportedFormats().catch(() => []);
  return formats.includes("qr_code");
}

// A code holds the address of a batch's page, of this service or of another name of it, or a batch code.
function follow(code) {
  const found = /\/batches\/(\d+)(?:[/?#]|$)/.exec(code);
  if (found) location.assign(`/batches/${found[1]}`);
  else if (/^[\w-]{1,60}$/.test(code)) location.assign(`/scan?code=${encodeURIComponent(code)}`);
  else at("camera-told").textContent = say("not_ours", { code });
  return Boolean(found) || /^[\w-]{1,60}$/.test(code);
}

async function start() {
  const video = at("camera-picture");
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  } catch (error) {
    at("camera-told").textContent = say("camera_denied", { reason: error.message });
    return;
  }
  at("camera-start").hidden = true;
  video.hidden = false;
  video.srcObject = stream;
  await video.play();
  const detector = new BarcodeDetector({ formats: ["qr_code"] });
  const look = async () => {
    const [found] = await detector.detect(video).catch(() => []);
    if (found && follow(found.rawValue)) {
      at("camera-told").textContent = say("camera_found", { code: found.rawValue });
      for (const track of stream.getTracks()) track.stop();
      return;
    }
    setTimeout(look, 150);
  };
  look();
}

if (await able()) {
  at("camera").hidden = false;
  at("no-camera").hidden = true;
  at("camera-start").addEventListener("click", start);
}
