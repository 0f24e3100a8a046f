// The little that the page does in the browser: send photos and send them again, follow the progress, take back, zoom, share.
"use strict";

const words = JSON.parse(document.getElementById("texts")?.textContent ?? "{}");
const find = (selector) => document.querySelector(selector);

// ---- photos that are not sent yet: kept by the browser until the bench has answered -------------------------------

const PENDING = "pending";

function pendingStore(mode, use) {
  return new Promise((resolve, reject) => {
    const opening = indexedDB.open("knurlsight", 1);
    opening.onupgradeneeded = () => opening.result.createObjectStore(PENDING, { keyPath: "upload" });
    opening.onerror = () => reject(opening.error);
    opening.onsuccess = () => {
      const database = opening.result;
      const transaction = database.transaction(PENDING, mode);
      const request = use(transaction.objectStore(PENDING));
      transaction.oncomplete = () => { database.close(); resolve(request?.result); };
      transaction.onerror = () => { database.close(); reject(transaction.error); };
    };
  });
}
const remember = (upload) => pendingStore("readwrite", (s) => s.put(upload)).catch(() => {});
const forget = (name) => pendingStore("readwrite", (s) => s.delete(name)).catch(() => {});
const pending = () => pendingStore("readonly", (s) => s.getAll()).catch(() => []);

function uploadName() {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

// One try: resolves with what the bench said, rejects when it could not be reached.
function sendOnce(upload) {
  return new Promise((resolve, reject) => {
    const form = new FormData();
    form.append("upload", upload.upload);
    form.append("od", upload.od);
    for (const name of ["turned", "continues"]) if (upload[name]) form.append(name, upload[name]);
    for (const photo of upload.photos) form.append("photo", photo, photo.name ?? "photo.jpg");
    const request = new XMLHttpRequest();
    request.open("POST", "/inspections");
    request.setRequestHeader("Accept", "application/json");
    request.timeout = 300000;
    request.upload.onprogress = (e) => { if (e.lengthComputable) find("#sending-bar").value = e.loaded / e.total; };
    request.onload = () => {
      try { resolve({ status: request.status, said: JSON.parse(request.responseText) }); } catch (e) { reject(e); }
    };
    request.onerror = request.ontimeout = () => reject(new Error("no connection"));
    request.send(form);
  });
}

// Until the time is over, the network is back, or the button is pressed.
function pause(ms) {
  const button = find("#send-again"), stop = new AbortController();
  button.hidden = false;
  return new Promise((resolve) => {
    const timer = setTimeout(done, ms);
    function done() {
      clearTimeout(timer);
      stop.abort();
      button.hidden = true;
      resolve();
    }
    addEventListener("online", done, { signal: stop.signal });
    button.addEventListener("click", done, { signal: stop.signal });
  });
}

// The same upload name each time: a photo that arrived without our hearing of it is not measured twice.
async function send(upload) {
  const box = find("#sending"), say = find("#sending-words");
  box.hidden = false;
  if (upload.photos[0]) {
    find("#sent-picture").src = URL.createObjectURL(upload.photos[0]);
    box.scrollIntoView({ block: "nearest" });
  }
  for (let wait = 1000; ; wait = Math.min(wait * 2, 15000)) {
    say.textContent = words.sending.sending;
    let answer;
    try {
      answer = await sendOnce(upload);
    } catch {
      say.textContent = words.sending.again;
      await pause(wait);
      continue;
    }
    if (answer.status < 300) {
      await forget(upload.upload);
      await showWhileWaiting(upload.photos[0], answer.said.path);
      return answer.said.path;
    }
    if ([429, 503, 507].includes(answer.status)) { // many are waiting, or the computer's disk is full: it may pass
      say.textContent = `${answer.said.error.message}; ${answer.said.error.hint}`;
      await pause(5000);
      continue;
    }
    await forget(upload.upload);
    say.textContent = `${words.sending.failed}: ${answer.said.error.message}. ${answer.said.error.hint}`;
    say.setAttribute("role", "alert");
    return null;
  }
}

// A small copy goes along to the next page, so that the photo stays in sight while it is measured.
async function showWhileWaiting(photo, path) {
  try {
    const bitmap = await createImageBitmap(photo), k = Math.min(1, 480 / Math.max(bitmap.width, bitmap.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, bitmap.width * k);
    canvas.height = Math.max(1, bitmap.height * k);
    canvas.getContext("2d").drawImage(bitmap, 0, 0, canvas.width, canvas.height);
    sessionStorage.setItem("waiting", JSON.stringify([path, canvas.toDataURL("image/jpeg", 0.7)]));
  } catch { /* a format that the browser does not show */ }
}

// All of them are remembered before the first is sent, should the page be closed on the way.
async function handIn(parts, od, more = {}) {
  const uploads = parts.map((photos) => ({ upload: uploadName(), photos, od, ...more }));
  for (const upload of uploads) await remember(upload);
  let path = null;
  for (const upload of uploads) path = await send(upload);
  return path;
}

async function shoot(files) {
  const form = find("#shoot"), photos = Array.from(files).filter((f) => f.size > 0);
  if (!photos.length || !form.reportValidity()) return;
  const od = form.elements.od.value;
  let many = false, turned = "";
  if (photos.length > 1) {
    const answer = await askSeveral(photos.length, od);
    if (answer === "cancel") return;
    many = answer === "many";
    turned = answer === "turned" ? "45deg" : "";
  }
  const path = await handIn(many ? photos.map((p) => [p]) : [photos], od, { turned });
  if (path) {
    form.elements.od.value = ""; // a reading is that of one part
    location.assign(many ? "/" : path);
  }
}

function askSeveral(count, od) {
  const dialog = find("#several"), say = words.shoot;
  dialog.querySelector("h2").textContent = say.several_title.replace("{n}", count);
  const one = dialog.querySelector("[value=one]"), many = dialog.querySelector("[value=many]");
  one.textContent = say.several_one.replace("{n}", count);
  many.textContent = od ? say.several_reading : say.several_many.replace("{n}", count);
  many.disabled = Boolean(od);
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.onclose = () => resolve(dialog.returnValue || "cancel");
    for (const button of dialog.querySelectorAll("button")) button.onclick = () => dialog.close(button.value);
  });
}

function preparePicking() {
  for (const input of document.querySelectorAll("#take, #pick")) {
    // a reading that is missing is said before the photo is taken, not after
    input.addEventListener("click", (e) => { if (!find("#shoot").reportValidity()) e.preventDefault(); });
    input.addEventListener("change", async () => { await shoot(input.files); input.value = ""; });
  }
  addEventListener("dragover", (e) => { e.preventDefault(); document.body.classList.add("dropping"); });
  addEventListener("dragleave", () => document.body.classList.remove("dropping"));
  addEventListener("drop", (e) => {
    e.preventDefault();
    document.body.classList.remove("dropping");
    shoot(e.dataTransfer.files);
  });
  addEventListener("paste", (e) => { if (e.clipboardData.files.length) shoot(e.clipboardData.files); });
  pending().then(async (left) => {
    for (const upload of left) await send(upload);
    if (left.length) location.reload();
  });
}

// Parts that are waited for change in the list as they come.
function followList() {
  const oldest = [...document.querySelectorAll(".parts a.waiting, .parts a.working")].pop();
  if (!oldest) return;
  const source = new EventSource(`${oldest.getAttribute("href")}/events`);
  source.onmessage = async (event) => {
    if (!["done", "failed"].includes(JSON.parse(event.data).state)) return;
    source.close();
    const page = new DOMParser().parseFromString(await (await fetch("/")).text(), "text/html");
    find(".parts").replaceWith(page.querySelector(".parts"));
    followList();
  };
}

// The same part, turned: its photo goes along with those that are there.
function prepareTurning(input) {
  input.addEventListener("change", async () => {
    const photos = Array.from(input.files).filter((f) => f.size > 0);
    const path = photos.length ? await handIn([photos], "", { continues: input.dataset.id, turned: input.form.elements.turned.value }) : null;
    if (path) location.assign(path);
    input.value = "";
  });
}

// ---- progress -------------------------------------------------------------------------------------------------------

function follow(box) {
  const say = find("#waiting-words"), bar = find("#waiting-bar");
  let began = null, usual = 4;
  const [path, picture] = JSON.parse(sessionStorage.getItem("waiting") ?? "[null, null]");
  if (path === location.pathname) {
    find("#sent-picture").src = picture;
    find("#sent-picture").hidden = false;
  }
  const tick = setInterval(() => {
    if (began !== null) bar.value = Math.min(0.95, (performance.now() - began) / 1000 / usual);
  }, 100);
  const source = new EventSource(`/inspections/${box.dataset.id}/events`);
  source.onmessage = (event) => {
    const now = JSON.parse(event.data);
    usual = Math.max(0.5, now.usual_seconds);
    if (now.state === "done" || now.state === "failed") {
      source.close();
      clearInterval(tick);
      sessionStorage.removeItem("waiting");
      location.replace(location.pathname);
    } else if (now.trouble) {
      say.textContent = now.trouble;
    } else if (now.ahead > 0) {
      say.textContent = words.waiting.ahead.replace("{n}", now.ahead);
    } else {
      began ??= performance.now();
      say.textContent = words.waiting.working.replace("{n}", Math.max(1, Math.round(usual)));
    }
  };
}

// ---- taking back ----------------------------------------------------------------------------------------------------

function countDown(form) {
  const ends = performance.now() + 1000 * Number(form.dataset.left), left = find("#undo-left");
  const tick = setInterval(() => {
    const seconds = Math.ceil((ends - performance.now()) / 1000);
    left.textContent = seconds > 0 ? `(${seconds})` : "";
    if (seconds <= -1) {
      clearInterval(tick);
      location.reload();
    }
  }, 250);
}

// ---- the picture, large: pinch, wheel, keys, buttons ----------------------------------------------------------------

function prepareZoom(dialog) {
  const pane = dialog.querySelector(".pane"), image = pane.querySelector("img"), fingers = new Map();
  let scale = 1, x = 0, y = 0;
  const show = () => { image.style.transform = `translate(${x}px, ${y}px) scale(${scale})`; };
  const reset = () => { scale = 1; x = y = 0; show(); };
  const zoom = (factor, atX, atY) => {
    const box = image.getBoundingClientRect(), next = Math.min(12, Math.max(1, scale * factor));
    const px = (atX ?? pane.clientWidth / 2) - box.left, py = (atY ?? pane.clientHeight / 2) - box.top;
    x += px - (px * next) / scale;
    y += py - (py * next) / scale;
    scale = next;
    if (scale === 1) x = y = 0;
    show();
  };
  find("#zoom").addEventListener("click", () => { reset(); dialog.showModal(); });
  dialog.querySelector("[data-zoom=in]").onclick = () => zoom(1.6);
  dialog.querySelector("[data-zoom=out]").onclick = () => zoom(1 / 1.6);
  dialog.querySelector("[data-zoom=close]").onclick = () => dialog.close();
  pane.addEventListener("wheel", (e) => { e.preventDefault(); zoom(Math.exp(-e.deltaY / 400), e.clientX, e.clientY); }, { passive: false });
  pane.addEventListener("pointerdown", (e) => { pane.setPointerCapture(e.pointerId); fingers.set(e.pointerId, e); });
  for (const end of ["pointerup", "pointercancel"]) pane.addEventListener(end, (e) => fingers.delete(e.pointerId));
  pane.addEventListener("pointermove", (e) => {
    const before = fingers.get(e.pointerId);
    if (!before) return;
    if (fingers.size === 1) {
      x += e.clientX - before.clientX;
      y += e.clientY - before.clientY;
      show();
    } else if (fingers.size === 2) {
      const other = [...fingers.values()].find((f) => f.pointerId !== e.pointerId);
      const apart = (f) => Math.hypot(f.clientX - other.clientX, f.clientY - other.clientY);
      zoom(apart(e) / Math.max(1, apart(before)), (e.clientX + other.clientX) / 2, (e.clientY + other.clientY) / 2);
    }
    fingers.set(e.pointerId, e);
  });
  dialog.addEventListener("keydown", (e) => {
    const steps = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[e.key];
    if (e.key === "+" || e.key === "=") zoom(1.6);
    else if (e.key === "-") zoom(1 / 1.6);
    else if (steps) { x += steps[0]; y += steps[1]; show(); e.preventDefault(); }
  });
}

// ---- the phone's own share sheet, where the browser has it ----------------------------------------------------------

function prepareShare(button) {
  if (!navigator.canShare) return;
  button.hidden = false;
  const files = []; // kept: a browser that finds the tap too long ago, as when they came slowly, gives the sheet at the next
  button.addEventListener("click", async () => {
    if (!files.length) for (const [link, name, type] of [[button.dataset.picture, "knurl.jpg", "image/jpeg"], [button.dataset.report, "knurl.pdf", "application/pdf"]]) {
      files.push(new File([await (await fetch(link)).blob()], name, { type }));
    }
    const title = button.dataset.name;
    const all = { title, files };
    try {
      await navigator.share(navigator.canShare(all) ? all : { title, files: files.slice(0, 1) });
    } catch (e) {
      if (!["AbortError", "NotAllowedError"].includes(e.name)) throw e;
    }
  });
}

if (find("#shoot") && find("#several")) { preparePicking(); followList(); }
addEventListener("pageshow", () => { // what was typed and came back after a refusal is in sight
  for (const box of document.querySelectorAll("details"))
    box.open ||= [...box.querySelectorAll("input:not([type=hidden]), textarea")].some((f) => f.value !== f.defaultValue);
});
// back to the form with what was typed into it, not to the first page
if (find("#back")) find("#back").onclick = (e) => { if (document.referrer) { e.preventDefault(); history.back(); } };
if (find("#turn")) prepareTurning(find("#turn"));
if (find("#waiting")) follow(find("#waiting"));
if (find("form#kept")) countDown(find("form#kept"));
if (find("#zoomed")) prepareZoom(find("#zoomed"));
if (find("#share")) prepareShare(find("#share"));
