// A camera button beside every <input data-scan>, where the browser reads codes itself and the device has a camera.
// Elsewhere the field stays what it is: a text field that a hand scanner or a keyboard fills in.
(() => {
  "use strict";
  const FORMATS = ["qr_code", "code_128", "code_39", "ean_13", "data_matrix"];
  // A label carries an address; where a field takes numbers (data-scan="number"), only its last part is put in.
  const shortened = (input, text) => {
    const label = text.match(/\/scan\/([a-z]-\d+)\/?$/);
    return label && input.dataset.scan !== "address" ? label[1] : text;
  };

  async function detector() {
    if (!("BarcodeDetector" in window) || !navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) return null;
    try {
      const known = await window.BarcodeDetector.getSupportedFormats();
      const formats = FORMATS.filter((format) => known.includes(format));
      if (!formats.includes("qr_code")) return null;
      const devices = await navigator.mediaDevices.enumerateDevices();
      if (!devices.some((device) => device.kind === "videoinput")) return null;
      return new window.BarcodeDetector({ formats });
    } catch {
      return null;
    }
  }

  function put(input, text) {
    input.value = shortened(input, text.trim());
    input.dispatchEvent(new Event("input", { bubbles: true }));
    input.dispatchEvent(new Event("change", { bubbles: true }));
    if ("scanSend" in input.dataset && input.form) input.form.requestSubmit();
    else input.focus();
  }

  function dialog() {
    const box = document.createElement("dialog");
    box.className = "scan-box";
    const video = document.createElement("video");
    video.playsInline = true;
    video.muted = true;
    const words = document.createElement("p");
    words.setAttribute("role", "status");
    words.textContent = "Hold the label in front of the camera.";
    const close = document.createElement("button");
    close.type = "button";
    close.className = "button secondary";
    close.textContent = "Stop scanning";
    close.addEventListener("click", () => box.close());
    box.setAttribute("aria-label", "Scan a label");
    box.append(video, words, close);
    document.body.append(box);
    return { box, video, words };
  }

  async function scan(input, reader) {
    const { box, video, words } = dialog();
    let stream = null;
    let open = true;
    box.addEventListener("close", () => {
      open = false;
      if (stream) stream.getTracks().forEach((track) => track.stop());
      box.remove();
    });
    box.showModal();
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    } catch {
      words.textContent = "The camera may not be used. Allow it in the browser's settings, or type the number.";
      return;
    }
    if (!open) {
      stream.getTracks().forEach((track) => track.stop());
      return;
    }
    video.srcObject = stream;
    // Not waited for: a camera that is slow to begin gives no frame yet, and is looked at again.
    video.play().catch(() => undefined);
    const look = async () => {
      if (!open) return;
      const found = await reader.detect(video).catch(() => []);
      if (found.length && found[0].rawValue) {
        box.close();
        put(input, found[0].rawValue);
      } else {
        setTimeout(look, 150);
      }
    };
    look();
  }

  function equip(root, reader) {
    root.querySelectorAll("input[data-scan]:not([data-scan-ready])").forEach((input) => {
      input.dataset.scanReady = "";
      const button = document.createElement("button");
      button.type = "button";
      button.className = "button secondary scan-button";
      const label = input.labels && input.labels.length ? input.labels[0].textContent.trim() : "";
      button.textContent = "Scan";
      if (label) button.setAttribute("aria-label", `Scan: ${label}`);
      button.addEventListener("click", () => scan(input, reader));
      input.after(button);
    });
  }

  // A hand scanner ends with Enter: it sends a form that wants it, and must not send one that is not filled in yet.
  document.addEventListener("keydown", (event) => {
    const input = event.target;
    if (event.key !== "Enter" || !(input instanceof HTMLInputElement) || !("scan" in input.dataset)) return;
    if ("scanSend" in input.dataset) return;
    event.preventDefault();
    input.value = shortened(input, input.value.trim());
    input.dispatchEvent(new Event("change", { bubbles: true }));
    const fields = [...input.form.elements].filter((field) => !field.disabled && field.type !== "hidden");
    const next = fields[fields.indexOf(input) + 1];
    if (next) next.focus();
  });

  detector().then((reader) => {
    if (!reader) return;
    equip(document, reader);
    document.addEventListener("htmx:load", (event) => equip(event.detail.elt, reader));
  });
})();
