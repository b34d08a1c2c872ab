// SPDX-License-Identifier: MIT
// A label's code read by the camera, with the browser's own reader of codes. Where there is none, or
// no camera, the reason is told and what to do instead.

const LOOK_MS = 150;
const TAG_MOST = 80;
const TYPE_IT = "Type the tag: it stands in words beside the code. Or read the code with the phone's own camera application, copy what it says, and paste it into the field.";
const WHY_NOT = {
  NotAllowedError: "The camera was refused to this page: allow it in the browser's settings for this address.",
  NotFoundError: "No camera was found.",
  NotReadableError: "The camera is in use by another program.",
};
const dialog = document.getElementById("camera");
const said = document.getElementById("camera-said");
const view = document.getElementById("camera-view");
const found = document.getElementById("camera-found");
const photo = document.getElementById("camera-photo");
let target = null;
let stream = null;
let detector = null;

/** Content of a label's code: a tag. Anything else is not a label. */
export function tagIn(text) {
  const tag = text.trim();
  return tag && tag.length <= TAG_MOST && !/[\u0000-\u001f\u007f]/.test(tag) ? tag : null;
}

function take(codes) {
  for (const { rawValue } of codes) {
    const tag = tagIn(rawValue);
    if (tag === null) {
      said.textContent = "This code is not a label's: a label holds a tag and nothing else.";
    } else if (target.tagName === "TEXTAREA") {
      add(tag);
    } else {
      target.value = tag;
      target.dispatchEvent(new Event("change", { bubbles: true }));
      navigator.vibrate?.(80);
      dialog.close();
      return;
    }
  }
}

function add(tag) {
  const tags = target.value.split(/[\r\n,;\t]+/).map((one) => one.trim()).filter(Boolean);
  if (tags.includes(tag)) return;
  target.value = [...tags, tag].join("\n");
  const line = document.createElement("li");
  line.textContent = tag;
  found.prepend(line);
  said.textContent = `${tag} is in the list. Hold the next label before the camera, or close this.`;
  navigator.vibrate?.(80);
}

async function reader() {
  if (!window.isSecureContext) {
    return ["Browsers lend the camera only to a page opened by HTTPS, or on the rig's own computer (localhost); this address is plain HTTP.", null];
  }
  const none = ["This browser has no reader of codes (BarcodeDetector).", null];
  try {
    if (!(await BarcodeDetector.getSupportedFormats()).includes("qr_code")) return none;
  } catch {
    return none; // no such feature, or it does not respond
  }
  return ["", new BarcodeDetector({ formats: ["qr_code"] })];
}

async function watch() {
  const mine = stream;
  while (stream === mine && dialog.open) {
    try {
      if (view.videoWidth) take(await detector.detect(view));
    } catch { /* between two frames; the next look is the same question */ }
    await new Promise((done) => setTimeout(done, LOOK_MS));
  }
}

async function open(into) {
  target = into;
  found.replaceChildren();
  photo.hidden = view.hidden = true;
  said.textContent = "Asking for the camera ...";
  dialog.show(); // not modal: Stop stays within reach
  document.getElementById("camera-close").focus();
  const [why, made] = await reader();
  if (!made) {
    said.textContent = `${why} ${TYPE_IT}`;
    return;
  }
  detector = made;
  try {
    const opened = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    if (!dialog.open) {
      opened.getTracks().forEach((track) => track.stop());
      return;
    }
    stream = opened;
    view.srcObject = stream;
    view.hidden = false;
    await view.play();
    said.textContent = "Hold the label's code before the camera.";
    watch();
  } catch (error) {
    photo.hidden = false;
    said.textContent = `${WHY_NOT[error.name] ?? `The camera could not be opened (${error.name}).`} A photo of the code can be read too. ${TYPE_IT}`;
  }
}

function shut() {
  stream?.getTracks().forEach((track) => track.stop());
  view.srcObject = stream = null;
  target?.focus();
}

async function fromPhoto(file) {
  try {
    const codes = await detector.detect(await createImageBitmap(file));
    if (codes.length) take(codes);
    else said.textContent = `No code was found in the photo. Go closer, and hold still. ${TYPE_IT}`;
  } catch {
    said.textContent = `This file cannot be read as a photo. ${TYPE_IT}`;
  }
}

/** Every button that names a field with `data-scan` opens the camera for that field. */
export function cameraButtons() {
  for (const button of document.querySelectorAll("[data-scan]")) {
    button.closest(".scan").hidden = false;
    button.addEventListener("click", () => open(document.getElementById(button.dataset.scan)));
  }
  dialog.addEventListener("close", shut);
  document.getElementById("camera-close").addEventListener("click", () => dialog.close());
  addEventListener("keydown", (event) => {  // which stops the rig as well (stop.js)
    if (event.key === "Escape" && dialog.open) dialog.close();
  });
  const file = photo.querySelector("input");
  file.addEventListener("change", () => { if (file.files[0]) fromPhoto(file.files[0]); });
}
