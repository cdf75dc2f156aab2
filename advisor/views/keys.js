// What ipywidgets cannot do: shortcuts, moving the focus, pasting and dropping, printing, clocks, a tag's code by camera.
const typing = (node) => node && (/^(INPUT|TEXTAREA|SELECT)$/.test(node.tagName) || node.isContentEditable);

async function dropped(files) {
  const whole = await Promise.all([...files].map((file) => file.arrayBuffer()));
  return [[...files].map((file) => file.name), whole];
}

function printed(html) {
  document.getElementById("ba-print")?.remove();
  const frame = Object.assign(document.createElement("iframe"), { id: "ba-print", title: "the sheet, to be printed" });
  frame.style.cssText = "position:fixed;width:0;height:0;border:0;inset:auto 0 0 auto";
  frame.onload = () => { frame.contentWindow.focus(); frame.contentWindow.print(); };
  frame.srcdoc = html;
  document.body.append(frame);
}

function saved(name, buffer) {
  const url = URL.createObjectURL(new Blob([buffer]));
  Object.assign(document.createElement("a"), { href: url, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(url), 10_000);
}

function focused(query, patience = 20) {
  const node = [...document.querySelectorAll(query)].find((one) => one.checkVisibility());
  if (node) { node.focus(); node.select?.(); }
  else if (patience) setTimeout(() => focused(query, patience - 1), 50);
  return Boolean(node);
}

function clocks() {
  for (const node of document.querySelectorAll(".ba-app [data-since]")) {
    const seconds = Math.max(0, Math.floor((Date.now() - Date.parse(node.dataset.since)) / 1000));
    node.textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
  }
}

async function scanned(box, found) {
  const video = Object.assign(document.createElement("video"), { muted: true, playsInline: true, width: 320 });
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  const end = () => { stream.getTracks().forEach((track) => track.stop()); video.remove(); };
  video.srcObject = stream;
  box.append(video);
  await video.play();
  const detector = new BarcodeDetector({ formats: ["qr_code"] });
  for (const until = Date.now() + 60_000; Date.now() < until && video.isConnected;) {
    const [code] = await detector.detect(video);
    if (code) { end(); return found(code.rawValue); }
    await new Promise((resolve) => setTimeout(resolve, 150));
  }
  end();
}

function render({ model, el }) {
  const app = () => el.closest(".ba-app");
  const tell = (message, buffers = []) => model.send(message, undefined, buffers);
  const quit = new AbortController();
  const on = (name, act) => document.addEventListener(name, act, { signal: quit.signal, capture: true });
  const alone = !document.querySelector(".jp-Notebook .jp-Cell .jp-InputArea-editor .cm-content");
  const ours = (node) => app()?.checkVisibility() && (app().contains(node) || (alone && !typing(node)) || node === document.body);

  on("keydown", (event) => {
    if (!ours(event.target)) return;
    const key = (event.ctrlKey || event.metaKey ? "ctrl+" : "") + (event.altKey ? "alt+" : "") + event.key.toLowerCase();
    const act = model.get("shortcuts")[key];
    if (!act || (key.length === 1 && typing(event.target))) return;
    event.preventDefault();
    event.stopPropagation();
    // What is being typed is handed in first, so that nothing is printed or logged without it.
    if (typing(event.target)) event.target.dispatchEvent(new Event("change", { bubbles: true }));
    // Who types on at once, as a scanner does, is not to wait for the kernel.
    if (act !== "to find" || !focused(".ba-find input", 0)) tell({ do: act });
  });
  on("paste", (event) => {
    if (!ours(event.target) || typing(event.target)) return;
    const files = event.clipboardData.files;
    if (files.length) dropped(files).then(([names, whole]) => tell({ do: "files", names }, whole));
    else tell({ do: "paste", value: event.clipboardData.getData("text") });
  });
  on("dragover", (event) => app()?.contains(event.target) && event.preventDefault());
  on("drop", (event) => {
    if (!app()?.contains(event.target) || !event.dataTransfer.files.length) return;
    event.preventDefault();
    dropped(event.dataTransfer.files).then(([names, whole]) => tell({ do: "files", names }, whole));
  });

  const clock = setInterval(clocks, 1000);
  const tick = setInterval(() => document.visibilityState === "visible" && tell({ do: "tick" }), 2000);
  const receive = (message, buffers) => {
    if (message.focus) focused(message.focus);
    if (message.print) printed(message.print);
    if (message.save) saved(message.save, buffers[0]);
    clocks();
  };
  model.on("msg:custom", receive);

  if ("BarcodeDetector" in globalThis && navigator.mediaDevices) {
    const scan = Object.assign(document.createElement("button"), { textContent: "Scan a tag", className: "ba-scan jupyter-button" });
    scan.onclick = () => scanned(el, (value) => tell({ do: "find", value })).catch((error) => tell({ do: "wrong", value: String(error) }));
    el.append(scan);
  }
  return () => { quit.abort(); clearInterval(clock); clearInterval(tick); model.off("msg:custom", receive); };
}

export default { render };
