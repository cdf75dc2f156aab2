// The one front end of all views: it shows regions of ready-made HTML, sends what the person does, and keeps the
// keyboard focus where it was. It decides nothing.
const PIECE = 2 * 1024 * 1024; // a websocket message stays well under the server's limit

// Voila names its shell as JupyterLab does; there the view is the whole page and follows the system's theme.
const inLab = () => !("voila" in document.body.dataset) && "jpThemeLight" in document.body.dataset;

function dark() {
  if (inLab()) return document.body.dataset.jpThemeLight === "false";
  return window.matchMedia("(prefers-color-scheme: dark)").matches;
}

function render({ model, el }) {
  const root = document.createElement("div");
  root.className = "ba-root";
  // JupyterLab's own single-key shortcuts must not fire while somebody works in here.
  root.setAttribute("data-lm-suppress-shortcuts", "true");
  el.append(root);
  const paint = () => {
    root.dataset.theme = dark() ? "dark" : "light";
    if (!inLab()) document.documentElement.dataset.baPage = root.dataset.theme;
  };
  paint();
  const watcher = new MutationObserver(paint);
  watcher.observe(document.body, { attributes: true, attributeFilter: ["data-jp-theme-light"] });
  const scheme = window.matchMedia("(prefers-color-scheme: dark)");
  scheme.addEventListener("change", paint);

  let shown = {};
  let replacing = false;
  let waiting = 0;
  let slow = null;
  let lost = null;
  let wantFocus = null;
  let typing = null;

  // What was sent and is not answered yet: a page drawn meanwhile must not take it away from under the person's eyes.
  const pending = new Map();

  const byId = (id) => (id ? root.querySelector(`#${CSS.escape(id)}`) : null);

  function sent(element) {
    return element.getAttribute("value") ?? element.defaultValue ?? "";
  }

  function reveal(part) {
    const current = part.querySelector("[data-keep-scroll] [aria-current=true]");
    if (!current) return;
    const list = current.closest("[data-keep-scroll]");
    const [inner, outer] = [current.getBoundingClientRect(), list.getBoundingClientRect()];
    if (inner.top < outer.top) list.scrollTop += inner.top - outer.top - 4;
    else if (inner.bottom > outer.bottom) list.scrollTop += inner.bottom - outer.bottom + 4;
  }

  function replace(slot, html) {
    const active = root.contains(document.activeElement) ? document.activeElement : null;
    const inside = active && slot.contains(active) ? active : null;
    const keep = inside && {
      id: inside.id,
      value: "value" in inside ? inside.value : null,
      dirty: inside.matches("input, textarea") && inside.value !== (inside.tagName === "TEXTAREA" ? inside.defaultValue : sent(inside)),
      start: inside.selectionStart,
      end: inside.selectionEnd,
    };
    const scrolls = [...slot.querySelectorAll("[data-keep-scroll]")].map((one) => [one.dataset.keepScroll, one.scrollTop, one.scrollLeft]);
    const typed = [...slot.querySelectorAll("form[data-keep] :is(input, textarea)[id]")].filter((one) => one.value !== one.defaultValue).map((one) => [one.id, one.value, one.form.dataset.keep]);
    const picked = [...slot.querySelectorAll("form[data-keep] select[id]")].filter((one) => !one.selectedOptions[0]?.defaultSelected).map((one) => [one.id, one.value, one.form.dataset.keep]);
    const open = [...slot.querySelectorAll("details[id]")].map((one) => [one.id, one.open]);
    replacing = true;
    slot.innerHTML = html;
    replacing = false;
    for (const [key, top, left] of scrolls) {
      const one = slot.querySelector(`[data-keep-scroll="${CSS.escape(key)}"]`);
      if (one) { one.scrollTop = top; one.scrollLeft = left; }
    }
    reveal(slot);
    for (const [id, value] of pending) { const one = byId(id); if (one && slot.contains(one)) one.value = value; }
    for (const [id, value, of] of [...typed, ...picked]) { const one = byId(id); if (one && one.form?.dataset.keep === of) one.value = value; }
    for (const [id, was] of open) { const one = byId(id); if (one) one.open = was; }
    if (keep && keep.id) {
      const again = byId(keep.id);
      if (again) {
        if (keep.dirty) again.value = keep.value;
        again.focus({ preventScroll: true });
        if (typeof keep.start === "number") { try { again.setSelectionRange(keep.start, keep.end); } catch { /* not a text field */ } }
      }
    }
  }

  function show() {
    const regions = model.get("regions");
    if (shown.layout !== regions.layout) { root.innerHTML = regions.layout ?? ""; shown = { layout: regions.layout }; }
    for (const [name, html] of Object.entries(regions)) {
      if (name === "layout" || shown[name] === html) continue;
      const slot = root.querySelector(`[data-region="${CSS.escape(name)}"]`);
      if (!slot) continue;
      replace(slot, html);
      shown[name] = html;
      if (slot.closest(".ba-side")) reveal(slot.closest(".ba-side")); // what stands above the list may have moved it
    }
    if (wantFocus) { const id = wantFocus; wantFocus = null; focus(id); }
    beat();
    count();
  }

  function focus(id, after) {
    const active = document.activeElement;
    // The person went on to something else while the program worked: the keyboard stays there.
    if (after && root.contains(active) && active !== root && active.id !== after) return;
    const one = byId(id);
    if (!one) { wantFocus = id; return; }
    one.focus();
    one.scrollIntoView({ block: "nearest" });
    if (one.select && one.matches("input[type=text]")) one.select();
  }

  function busy(on) {
    root.setAttribute("aria-busy", on ? "true" : "false");
  }

  function tell(words) {
    const slot = root.querySelector("[data-local]");
    if (slot) slot.textContent = words;
  }

  function send(content, buffers) {
    const quiet = content.do === "tick";
    if (!quiet) {
      waiting += 1;
      clearTimeout(slow); clearTimeout(lost);
      slow = setTimeout(() => busy(true), 250);
      lost = setTimeout(() => tell("No answer from the program yet. If this stays, restart the kernel (menu Kernel) or load the page again; the queue is kept."), 60000);
    }
    try {
      model.send({ ...content, at: Date.now() }, undefined, buffers);
    } catch (error) {
      tell(`The program cannot be reached (${error}). Load the page again; the queue is kept.`);
    }
  }

  function answered(id) {
    if (id && pending.delete(id)) {
      const one = byId(id);
      if (one && one !== document.activeElement) {
        if (one.tagName === "SELECT") one.value = one.querySelector("option[selected]")?.value ?? "";
        else one.value = one.tagName === "TEXTAREA" ? one.defaultValue : sent(one);
      }
    }
    waiting = Math.max(0, waiting - 1);
    if (waiting === 0) { clearTimeout(slow); clearTimeout(lost); busy(false); tell(""); }
  }

  async function upload(files, name) {
    for (const file of files) {
      const bytes = new Uint8Array(await file.arrayBuffer());
      const count = Math.max(1, Math.ceil(bytes.length / PIECE));
      for (let piece = 0; piece < count; piece += 1) {
        const part = bytes.slice(piece * PIECE, (piece + 1) * PIECE);
        send({ do: name, name: file.name, piece, count, size: bytes.length }, [part.buffer]);
      }
    }
  }

  function values(form) {
    const out = {};
    for (const one of form.elements) {
      if (!one.name) continue;
      if (one.type === "checkbox") out[one.name] = one.checked;
      else if (one.type === "radio") { if (one.checked) out[one.name] = one.value; }
      else out[one.name] = one.value;
    }
    return out;
  }

  root.addEventListener("click", (event) => {
    const target = event.target.closest("[data-do]");
    if (!target || !root.contains(target) || target.tagName === "FORM" || target.matches("select, input:not([type=button])")) return;
    event.preventDefault();
    if (target.getAttribute("aria-disabled") === "true") return;
    if (target.dataset.do === "print") { print(target.dataset.frame); return; }
    if (target.dataset.do === "pick-file") { byId(target.dataset.for)?.click(); return; }
    const { do: what, ...rest } = target.dataset;
    send({ do: what, ...rest });
  });

  root.addEventListener("submit", (event) => {
    event.preventDefault();
    const form = event.target;
    clearTimeout(typing);
    send({ do: form.dataset.do, ...form.dataset, values: values(form) });
    if ("clear" in form.dataset) form.reset(); // a scanner types the next tag into an empty box
  });

  function commit(field, enter = false) {
    if (replacing || !field.isConnected) return;
    const before = field.tagName === "TEXTAREA" ? field.defaultValue : sent(field);
    if (field.value === before || field.value === field.dataset.sent) return;
    field.dataset.sent = field.value;
    pending.set(field.id, field.value);
    send({ do: field.dataset.edit, field: field.name, value: field.value, id: field.id, enter });
  }

  root.addEventListener("focusout", (event) => {
    if (event.target.matches("input[data-edit]:not([type=checkbox]), textarea[data-edit]")) commit(event.target);
  });
  root.addEventListener("change", (event) => {
    const one = event.target;
    if (one.matches("input[type=file]")) { upload([...one.files], one.dataset.do); one.value = ""; return; }
    if (one.matches("select[data-edit], input[type=checkbox][data-edit]")) {
      if (one.tagName === "SELECT") pending.set(one.id, one.value);
      send({ do: one.dataset.edit, field: one.name, value: one.type === "checkbox" ? one.checked : one.value, id: one.id });
    }
  });
  root.addEventListener("input", (event) => {
    const one = event.target;
    if (!one.matches("input[data-live]")) return;
    clearTimeout(typing);
    typing = setTimeout(() => send({ do: one.dataset.live, field: one.name, value: one.value }), 180);
  });

  root.addEventListener("keydown", (event) => {
    event.stopPropagation();
    const one = event.target;
    if (event.key === "Enter" && one.matches("input[data-edit]")) {
      event.preventDefault();
      commit(one, true);
      const after = one.dataset.next && byId(one.dataset.next);
      if (after) after.focus();
      return;
    }
    if (event.key === "Escape" && one.matches("input[data-edit]")) { one.value = sent(one); return; }
    const list = one.closest("[data-arrows]");
    if (list && ["ArrowDown", "ArrowUp", "Home", "End"].includes(event.key) && !one.matches("input, select, textarea")) {
      const stops = [...list.querySelectorAll("[data-stop]")];
      const here = stops.indexOf(one.closest("[data-stop]"));
      const next = { ArrowDown: here + 1, ArrowUp: here - 1, Home: 0, End: stops.length - 1 }[event.key];
      if (stops[next]) { event.preventDefault(); stops[next].focus(); }
    }
  });

  root.addEventListener("dragover", (event) => { event.preventDefault(); });
  root.addEventListener("drop", (event) => {
    event.preventDefault();
    const drop = root.querySelector("[data-drop]");
    if (drop && event.dataTransfer.files.length) upload([...event.dataTransfer.files], drop.dataset.drop);
  });

  function print(id) {
    const frame = byId(id);
    if (frame) { frame.contentWindow.focus(); frame.contentWindow.print(); }
  }

  function message(content, buffers) {
    if (content.download) {
      const blob = new Blob([buffers[0]], { type: content.mime });
      const link = document.createElement("a");
      link.href = URL.createObjectURL(blob);
      link.download = content.download;
      link.style.display = "none";
      document.body.append(link);
      link.click();
      link.remove();
      setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    }
    if (content.focus) focus(content.focus, content.after);
    if (content.answered) answered(content.id);
  }

  let clock = null;
  function beat() {
    const one = root.querySelector("[data-tick]");
    clearInterval(clock);
    if (one) clock = setInterval(() => { if (document.visibilityState === "visible" && waiting === 0) send({ do: "tick" }); }, Number(one.dataset.tick));
  }

  // Stopwatches count on here; when they were started is the program's to say.
  let counting = null;
  function count() {
    const clocks = [...root.querySelectorAll("[data-since]")];
    clearInterval(counting);
    const tell = () => {
      for (const one of clocks) {
        const seconds = Math.max(0, Math.floor((Date.now() - Date.parse(one.dataset.since)) / 1000));
        const [h, m, s] = [Math.floor(seconds / 3600), Math.floor(seconds / 60) % 60, seconds % 60];
        one.textContent = (h ? `${h} h ${String(m).padStart(2, "0")}` : m) + ` min ${String(s).padStart(2, "0")} s`;
      }
    };
    tell();
    if (clocks.length) counting = setInterval(tell, 1000);
  }

  model.on("change:regions", show);
  model.on("msg:custom", message);
  show();
  // Voila draws the view before it shows it: what has no size yet cannot be scrolled.
  const sized = new ResizeObserver(() => { if (root.offsetHeight) { sized.disconnect(); reveal(root); } });
  sized.observe(root);

  // The page around takes the focus when it is ready; until the person does something, the first action gets it back.
  let touched = false;
  const touch = () => { touched = true; };
  document.addEventListener("keydown", touch, { capture: true, once: true });
  document.addEventListener("pointerdown", touch, { capture: true, once: true });
  for (const delay of [0, 300, 1000, 2000, 3500]) {
    setTimeout(() => {
      const active = document.activeElement;
      if (touched || root.contains(active) || active?.matches("input, textarea, select, [contenteditable=true]")) return;
      root.querySelector("[data-first]")?.focus({ preventScroll: true });
    }, delay);
  }
  send({ do: "hello" });

  return () => {
    touched = true;
    clearInterval(clock); clearInterval(counting); clearTimeout(slow); clearTimeout(lost);
    watcher.disconnect(); sized.disconnect();
    scheme.removeEventListener("change", paint);
    model.off("change:regions", show);
    model.off("msg:custom", message);
  };
}

export default { render };
