// Live picture with guidance. Pixels are read five times a second from the frame drawn over the picture.
"use strict";

(() => {
  const say = words.camera, video = find("video"), start = find("#camera-start"), take = find("#camera-take");
  const which = find("#camera-which"), live = find("#live");
  const FRAME = { x: 0.08, y: 0.32, width: 0.84, height: 0.36 };
  let stream = null, tilt = null, photoWidth = 0;

  if (!navigator.mediaDevices?.getUserMedia) {
    find("#no-camera").hidden = false;
    return;
  }
  start.hidden = false;

  async function open(device) {
    stream?.getTracks().forEach((t) => t.stop());
    const wanted = { width: { ideal: 4096 }, height: { ideal: 3072 } };
    stream = await navigator.mediaDevices.getUserMedia({
      video: device ? { ...wanted, deviceId: { exact: device } } : { ...wanted, facingMode: { ideal: "environment" } },
    });
    video.srcObject = stream;
    await video.play();
    live.hidden = take.hidden = false;
    start.hidden = true;
    photoWidth = await largestWidth(stream.getVideoTracks()[0]);
    const cameras = (await navigator.mediaDevices.enumerateDevices()).filter((d) => d.kind === "videoinput");
    const list = which.querySelector("select");
    list.replaceChildren(...cameras.map((c, i) => new Option(c.label || `${say.which} ${i + 1}`, c.deviceId)));
    list.value = stream.getVideoTracks()[0].getSettings().deviceId ?? "";
    which.hidden = cameras.length < 2;
  }

  async function largestWidth(track) {
    try {
      return (await new ImageCapture(track).getPhotoCapabilities()).imageWidth.max || video.videoWidth;
    } catch {
      return video.videoWidth;
    }
  }

  start.addEventListener("click", async () => {
    try {
      // Safari asks before it tells how the phone is held
      if (typeof DeviceOrientationEvent?.requestPermission === "function") await DeviceOrientationEvent.requestPermission();
    } catch { /* the level stays unknown */ }
    try {
      await open(null);
    } catch {
      find("#no-camera").hidden = false;
    }
  });
  which.addEventListener("change", (e) => open(e.target.value));
  addEventListener("deviceorientation", (e) => { if (e.beta !== null) tilt = Math.hypot(e.beta, e.gamma); });
  addEventListener("pagehide", () => stream?.getTracks().forEach((t) => t.stop()));

  take.addEventListener("click", async () => {
    const form = find("#shoot");
    if (!form.reportValidity()) return;
    take.disabled = true;
    const path = await handIn([[await still()]], form.elements.od.value);
    take.disabled = false;
    if (path) location.assign(path);
  });

  // The camera's own still where the browser gives it, with its full size and data; else the frame that is shown.
  async function still() {
    try {
      const blob = await new ImageCapture(stream.getVideoTracks()[0]).takePhoto();
      if (blob.size > 0) return new File([blob], "camera.jpg", { type: blob.type });
    } catch { /* not there in every browser */ }
    const canvas = new OffscreenCanvas(video.videoWidth, video.videoHeight);
    canvas.getContext("2d").drawImage(video, 0, 0);
    return new File([await canvas.convertToBlob({ type: "image/jpeg", quality: 0.95 })], "camera.jpg", { type: "image/jpeg" });
  }

  function guide(name, text, good) {
    const box = find(`#guide-${name}`);
    box.textContent = text;
    box.parentElement.className = good === null ? "" : good ? "good" : "bad";
  }

  const canvas = document.createElement("canvas"), pen = canvas.getContext("2d", { willReadFrequently: true });
  setInterval(() => {
    if (!stream || video.readyState < 2) return;
    // one canvas pixel a picture pixel, from the middle of the frame: resizing would hide blur and lines
    const width = Math.min(512, Math.round(video.videoWidth * FRAME.width)), height = Math.min(256, Math.round(video.videoHeight * FRAME.height));
    canvas.width = width;
    canvas.height = height;
    pen.drawImage(video, (video.videoWidth - width) / 2, (video.videoHeight - height) / 2, width, height, 0, 0, width, height);
    const data = pen.getImageData(0, 0, width, height).data, grey = new Float32Array(width * height);
    let burnt = 0;
    for (let i = 0; i < grey.length; i++) {
      grey[i] = 0.299 * data[4 * i] + 0.587 * data[4 * i + 1] + 0.114 * data[4 * i + 2];
      if (grey[i] > 250) burnt++;
    }
    const share = Math.round((100 * burnt) / grey.length);
    guide("glare", share < 4 ? say.good : say.burnt.replace("{n}", share), share < 4);
    const [detail, contrast] = sharpness(grey, width, height);
    guide("sharp", detail > 0.12 * contrast && contrast > 3 ? say.good : say.blurred, detail > 0.12 * contrast && contrast > 3);
    // lines that cross the part repeat along it and around it: 1 / normal² = 1 / axial² + 1 / transverse²
    const along = spacing(grey, width, height, 1, width), around = spacing(grey, height, width, width, 1);
    const period = along || around ? 1 / Math.hypot(along ? 1 / along : 0, around ? 1 / around : 0) : 0;
    const pixels = period && Math.round(period * Math.max(1, photoWidth / video.videoWidth));
    guide("pitch", period ? (pixels >= 12 ? String(pixels) : say.few.replace("{n}", pixels)) : say.no_lines, period ? pixels >= 12 : null);
    guide("level", tilt === null ? say.unknown : tilt < 4 ? say.good : say.tilted.replace("{n}", Math.round(tilt)), tilt === null ? null : tilt < 4);
  }, 200);

  // Mean size of the step from pixel to pixel, and the standard deviation of the brightness.
  function sharpness(grey, width, height) {
    let steps = 0, sum = 0, squares = 0;
    for (let y = 0; y < height; y++) {
      for (let x = 1; x < width; x++) {
        const value = grey[y * width + x];
        steps += Math.abs(value - grey[y * width + x - 1]);
        sum += value;
        squares += value * value;
      }
    }
    const n = height * (width - 1), mean = sum / n;
    return [steps / n, Math.sqrt(Math.max(0, squares / n - mean * mean))];
  }

  // First repeat along lines of `length` pixels, `step` apart: where the mean autocorrelation is highest after its first fall.
  function spacing(grey, length, lines, step, next) {
    const lags = Math.min(100, length >> 1), mean = new Float64Array(lags), line = new Float32Array(length);
    for (let n = 0; n < lines; n += 6) {
      let level = 0;
      for (let x = 0; x < length; x++) level += grey[n * next + x * step] / length;
      // what changes slowly is light, not lines
      for (let x = 0, slow = 0; x < length; x++) {
        const value = grey[n * next + x * step] - level;
        slow += (value - slow) / 20;
        line[x] = value - slow;
      }
      for (let lag = 0; lag < lags; lag++) {
        let sum = 0;
        for (let x = 0; x + lag < length; x++) sum += line[x] * line[x + lag];
        mean[lag] += sum / (length - lag);
      }
    }
    let lag = 1;
    while (lag < lags - 1 && mean[lag + 1] < mean[lag]) lag++;
    let best = lag;
    for (; lag < lags - 1; lag++) if (mean[lag] > mean[best]) best = lag;
    return best > 2 && mean[best] > 0.25 * mean[0] && mean[best] >= mean[best - 1] ? best : 0;
  }
})();
