// Measuring by a bank card: six marks on a picture that never leaves the device; only their places are sent.
"use strict";
(() => {
  const SLOW_PX = 4; // of one movement that the browser tells
  /* root: gives the element that holds the page; reckonAt: sends the marks, gives the length; kept: what follows. */
  const measure = ({ root, reckonAt, kept, say, complain }) => {
    const one = (selector, within = root()) => within.querySelector(selector);
    const all = (selector, within = root()) => [...within.querySelectorAll(selector)];
    let marks = [], placed = new Set(), LABELS = [..."1234AB"]; // digits: the card or ruler; letters: pairs of ends
    const digits = () => LABELS.filter((label) => /\d/.test(label)).length;
    function ready() {
      marks = []; placed = new Set(); LABELS = [...(one("[data-labels]:checked")?.dataset.labels || "1234AB")];
      const picture = one("[data-picture]");
      if (picture) picture.addEventListener("load", place);
      for (const field of all("input[data-mark]")) field.addEventListener("input", () => { if (field.value) typed(field); }); // a number left as it was counts too
    }
    function open(address) {
      const picture = one("[data-picture]");
      one("[data-form=measure]").hidden = false;
      picture.src = address;
      picture.onerror = () => say(one("[data-form=measure]").dataset.unseen);
    }
    function place() {
      const { naturalWidth: w, naturalHeight: h } = one("[data-picture]");
      marks = LABELS.map((_, n) => [((n + 0.5) / LABELS.length) * w, h / 2]); // in a row, so that none covers another
      placed = new Set();
      const holder = one("[data-stage]");
      holder.onclick = (event) => { if (event.target === one("[data-picture]")) put(event); };
      all(".mark", holder).forEach((mark) => mark.remove());
      LABELS.forEach((label, n) => {
        const button = document.createElement("button");
        button.type = "button"; button.className = n < digits() ? "mark" : "mark end"; button.textContent = label;
        const names = holder.dataset.names?.split("|"), shown = one(`[data-mark="${n}"]`).closest("fieldset").querySelector("legend");
        if (names) shown.textContent = `${label} · ${names[n < digits() ? n : n + 4 - digits()]}`;
        const legend = shown.textContent;
        button.setAttribute("aria-label", legend);
        holder.append(button);
        drag(button, n);
      });
      draw();
      one(".mark", holder).focus();
    }
    const scale = () => { const picture = one("[data-picture]"); return picture.naturalWidth / picture.getBoundingClientRect().width; };
    function draw() {
      const picture = one("[data-picture]");
      const { naturalWidth: w, naturalHeight: h } = picture;
      all(".mark").forEach((button, n) => { button.style.left = `${(100 * marks[n][0]) / w}%`; button.style.top = `${(100 * marks[n][1]) / h}%`; });
      const lines = one("[data-lines]");
      lines.setAttribute("viewBox", `0 0 ${w} ${h}`);
      const thick = 2 * scale();
      const path = (points, closed) => `<polyline points="${[...points, ...(closed ? [points[0]] : [])].map((p) => p.join(",")).join(" ")}" fill="none" stroke="#000" stroke-width="${thick * 2.4}"/><polyline points="${[...points, ...(closed ? [points[0]] : [])].map((p) => p.join(",")).join(" ")}" fill="none" stroke="#fff" stroke-width="${thick}"/>`;
      const all_of = (...some) => some.every((n) => placed.has(n));
      const k = digits(), scaled = all_of(...Array(k).keys()) ? path(marks.slice(0, k), k > 2) : "";
      lines.innerHTML = scaled + [k, k + 2].map((n) => (n + 1 < marks.length && all_of(n, n + 1) ? path(marks.slice(n, n + 2), false) : "")).join("");
      for (const field of all("input[data-mark]")) field.closest("fieldset").hidden = !(field.dataset.mark in marks);
      for (const field of all("input[data-mark]")) if (field.dataset.mark in marks && field !== document.activeElement) field.value = Math.round(marks[field.dataset.mark][field.dataset.axis]);
    }
    // A press on the picture puts the next mark that has no place yet.
    function put(event) {
      const n = LABELS.findIndex((_, at) => !placed.has(at));
      if (n < 0) return;
      const box = one("[data-picture]").getBoundingClientRect();
      move(n, (event.clientX - box.left) * scale(), (event.clientY - box.top) * scale());
      all(".mark")[n].focus({ preventScroll: true });
    }
    function move(n, x, y) {
      placed.add(n);
      all(".mark")[n]?.classList.add("placed");
      const picture = one("[data-picture]");
      marks[n] = [Math.min(Math.max(x, 0), picture.naturalWidth), Math.min(Math.max(y, 0), picture.naturalHeight)];
      one("[data-keep]").hidden = true;
      draw();
    }
    function drag(button, n) {
      let from = null;
      button.addEventListener("pointerdown", (event) => { button.setPointerCapture(event.pointerId); from = [event.clientX, event.clientY]; loupe(n); });
      button.addEventListener("pointermove", (event) => {
        if (!from) return;
        const [x, y] = [event.clientX - from[0], event.clientY - from[1]];
        // A finger is as wide as fifty pins: moved slowly, the mark follows at a quarter of its way.
        const by = scale() * (event.pointerType === "touch" && Math.hypot(x, y) < SLOW_PX ? 0.25 : 1);
        from = [event.clientX, event.clientY];
        move(n, marks[n][0] + x * by, marks[n][1] + y * by);
        loupe(n);
      });
      const end = () => { from = null; one(".loupe")?.remove(); };
      button.addEventListener("pointerup", end); button.addEventListener("pointercancel", end);
      button.addEventListener("keydown", (event) => {
        const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
        if (!step) return;
        event.preventDefault();
        const by = scale() * (event.shiftKey ? 20 : 2);
        move(n, marks[n][0] + step[0] * by, marks[n][1] + step[1] * by);
      });
    }
    // What lies under the finger, enlarged and out of its way.
    function loupe(n) {
      const holder = one("[data-stage]"), picture = one("[data-picture]");
      const glass = one(".loupe") || holder.appendChild(Object.assign(document.createElement("canvas"), { className: "loupe", width: 260, height: 260 }));
      const [x, y] = marks[n], wide = 36 * scale();
      const pen = glass.getContext("2d");
      pen.fillRect(0, 0, 260, 260);
      pen.drawImage(picture, x - wide / 2, y - wide / 2, wide, wide, 0, 0, 260, 260);
      pen.strokeStyle = "#fff"; pen.lineWidth = 3; pen.beginPath(); pen.moveTo(130, 90); pen.lineTo(130, 170); pen.moveTo(90, 130); pen.lineTo(170, 130); pen.stroke();
      const left = x / picture.naturalWidth < 0.5;
      glass.style.top = "8px"; glass.style.left = left ? "auto" : "8px"; glass.style.right = left ? "8px" : "auto";
    }
    // As a ruler is read, whole millimetres and inches to the eighth, in the words that the page has for an inch.
    const mm = (length) => one("[data-inch]").dataset.inch.replace("25", Math.round(length)).replace("(1 ", `(${inches(Math.round(length))} `);
    function inches(length) {
      const eighths = Math.round((length / 25.4) * 8), parts = [[4, 2], [2, 4], [1, 8]].find(([step]) => eighths % step === 0);
      const rest = (eighths % 8) / parts[0];
      return [Math.floor(eighths / 8) || "", rest ? `${rest}/${parts[1]}` : ""].filter(Boolean).join(" ") || "0";
    }
    async function reckon(form, keep) {
      complain(form, "");
      const said = one("[data-length]", form);
      const open = LABELS.filter((_, n) => !placed.has(n));
      if (open.length) { said.textContent = ""; one("[data-keep]", form).hidden = true; complain(form, form.dataset.unplaced.replace("{marks}", open.join(", "))); return; }
      try {
        const found = await reckonAt({ corners: marks.slice(0, 4), hair: marks.slice(4), click_error_px: Math.min(200, Math.max(0.5, 2.5 * scale())), keep });
        said.innerHTML = "";
        const big = document.createElement("p"); big.className = "headline"; big.textContent = said.dataset.found.replace("{mm}", mm(found.length_mm));
        const range = document.createElement("p"); range.textContent = said.dataset.range.replace("{low}", mm(found.low_mm)).replace("{high}", mm(found.high_mm));
        said.append(big, range);
        one("[data-keep]", form).hidden = keep;
        if (keep) kept();
      } catch (error) { complain(form, error.message); }
    }
    // Marks of a tool: what lies beside it, a pin and a gap; a pair that has no place yet is not sent.
    function pairs() {
      const k = digits(), there = (from, to) => marks.length && LABELS.slice(from, to).every((_, n) => placed.has(from + n)) ? marks.slice(from, to) : null;
      const open = marks.length && placed.size ? LABELS.slice(0, k + 2).filter((_, n) => !placed.has(n)) : [];
      return { open, scale: there(0, k), pin: there(k, k + 2), gap: there(k + 2, k + 4), click_error_px: marks.length ? Math.min(200, Math.max(0.5, 2.5 * scale())) : 3 };
    }
    function relabel() { LABELS = [...one("[data-labels]:checked").dataset.labels]; if (one("[data-picture]").naturalWidth) place(); }
    function typed(field) {
      const point = [...marks[field.dataset.mark]];
      point[field.dataset.axis] = Number(field.value);
      move(Number(field.dataset.mark), ...point);
    }
    return { ready, open, reckon, typed, pairs, relabel };
  };
  // Apple's phones turn their HEIC photos into JPEG where only JPEG is asked for; elsewhere HEIC files may be chosen.
  const turnsByItself = /iPhone|iPad|iPod/.test(navigator.userAgent) || (/Mac/.test(navigator.platform) && navigator.maxTouchPoints > 1);
  const PICTURES = "image/jpeg,image/png,image/webp";
  function askForPictures(root) {
    for (const field of root.querySelectorAll("[data-photos],[data-card-photo]")) {
      field.accept = turnsByItself || field.matches("[data-card-photo]") ? PICTURES : `${PICTURES},image/heic,image/heif,.heic,.heif`;
    }
  }
  // True size: a bank card held on the screen says how many pixels a millimetre has; kept for the next time.
  function trueSize(root, moved) {
    const slider = root.querySelector("[data-card-size]");
    if (!slider) return;
    const NAME = "coatclass.px-per-mm", wide = Number(slider.dataset.cardMm);
    if (!moved) slider.value = Math.round((Number(localStorage.getItem(NAME)) || 96 / 25.4) * wide);
    const px = Number(slider.value) / wide;
    for (const part of root.querySelectorAll(".true-size")) part.style.setProperty("--mm", `${px}px`);
    slider.setAttribute("aria-valuetext", `${slider.value} px`);
    if (moved) try { localStorage.setItem(NAME, px); } catch { /* a private window */ }
  }
  window.coatclass = { ...window.coatclass, measure, askForPictures, trueSize };
})();
