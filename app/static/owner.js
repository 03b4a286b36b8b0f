// The owner's page: sends every entry at once, keeps what could not be sent, and shows the next view.
"use strict";
(() => {
  const API = "/api/v1/dogs/by-link";
  const views = window.coatclass.pages({ side: "/owner/", arrived: () => arrived(), late: () => say(word("offline")) });
  const { stage } = views;

  // --- where we are ---------------------------------------------------------------------------------------------
  const token = () => new URLSearchParams(location.search).get("dog") || "";
  const key = (what) => `coatclass.${what}.${token().slice(0, 12)}`;
  const read = (what, otherwise) => { try { return JSON.parse(localStorage.getItem(key(what))) ?? otherwise; } catch { return otherwise; } };
  const write = (what, value) => { try { localStorage.setItem(key(what), JSON.stringify(value)); } catch { /* a private window: nothing is kept */ } };
  const one = (selector, root = stage) => root.querySelector(selector);
  const all = (selector, root = stage) => [...root.querySelectorAll(selector)];

  const address = (step) => `/owner/${step}?dog=${token()}`;
  const show = (step, push = false) => views.load(address(step), { push });
  function arrived() {
    follow();
    measuring.ready();
    window.coatclass.askForPictures(stage);
    if (keepWords) { const words = one("[data-words]"); if (words) words.innerHTML = keepWords; keepWords = ""; }
    if (read("pending", null)) flush().catch((error) => say(error.message));
  }

  // --- talking to the server --------------------------------------------------------------------------------------
  class Refused extends Error {}
  class Offline extends Error { constructor(said, seconds) { super(said); this.wait = Math.min(60, Math.max(4, Number(seconds) || 0)) * 1000; } }
  const WRONG = [400, 404, 410, 413, 415, 422]; // the entry itself can't be, or the link is gone; anything else may pass

  async function ask(method, path, body) {
    const options = { method, headers: {} };
    if (body instanceof FormData) options.body = body;
    else if (body !== undefined) { options.body = JSON.stringify(body); options.headers["content-type"] = "application/json"; }
    let answer;
    try { answer = await fetch(API + path, options); } catch { throw new Offline("offline"); }
    if (answer.status === 204) return null;
    const said = await answer.json().catch(() => ({}));
    const words = `${said.problem || ""} ${said.next_step || ""}`;
    if (!answer.ok) throw WRONG.includes(answer.status) ? new Refused(words) : new Offline(words, answer.headers.get("retry-after"));
    return said;
  }

  const word = (name) => one(".page")?.dataset[name] || "";
  function say(text) { const place = one("[data-status]"); if (place) place.textContent = text; }
  function complain(form, text) {
    const place = one("[data-error]", form);
    if (!place) return say(text);
    place.textContent = text; place.hidden = !text;
    if (text) place.scrollIntoView({ block: "nearest" });
  }

  // Entries that could not be sent wait here, also over a refresh, until the connection is back.
  let flushing = false;
  async function flush() {
    const pending = read("pending", null);
    if (!pending || flushing) return !pending;
    flushing = true;
    try {
      await ask("PATCH", `/${token()}/answers`, pending);
      settle(pending); say("");
      return !read("pending", null) || (flushing = false, await flush());
    } catch (error) {
      if (error instanceof Refused) { settle(pending); throw error; }
      say(word("offline"));
      setTimeout(() => flush().then((sent) => sent && !views.waiting() && show("next", true)).catch((refused) => say(refused.message)), error.wait || 4000);
      return false;
    } finally { flushing = false; }
  }
  // What was answered anew while the earlier answers were on their way still has to go.
  function settle(sent) {
    const left = Object.entries(read("pending", null) || {}).filter(([name, value]) => !(name in sent) || JSON.stringify(value) !== JSON.stringify(sent[name]));
    write("pending", left.length ? Object.fromEntries(left) : null);
  }
  // Back again: what waits is sent.
  addEventListener("online", () => flush().catch((error) => say(error.message)));

  async function save(answers) {
    write("pending", { ...read("pending", {}), ...answers });
    return flush();
  }

  // --- questions ------------------------------------------------------------------------------------------------
  const number = (text) => (text.trim() === "" ? null : Number(text));
  const READ = {
    text: (q) => one("input", q).value.trim() || null,
    names: (q) => { const names = one("input", q).value.split(/[,;]/).map((name) => name.trim()).filter(Boolean); return names.length ? names : null; },
    choice: (q) => one("input:checked", q)?.value ?? null,
    yes_no: (q) => { const chosen = one("input:checked", q); return chosen ? chosen.value === "true" : null; },
    number: (q) => number(one("input", q).value),
    choices: (q) => { const chosen = all("input:checked", q); return chosen.length ? chosen.map((box) => box.value).filter(Boolean) : null; },
    zones: (q) => { const found = Object.fromEntries(all("select", q).filter((box) => box.value).map((box) => [box.dataset.zone, box.value])); return Object.keys(found).length ? found : null; },
    shares: (q) => pairs(q, number),
    genotype: (q) => pairs(q, (text) => text.trim() || null),
    tools: (q) => { const tools = all("[data-row]", q).map(tool).filter((found) => found.kind); return tools.length ? tools : null; },
  };
  function pairs(q, convert) {
    const rows = all("[data-row]", q).map((row) => [one("[data-part=name]", row).value.trim(), convert(one("[data-part=value]", row).value)]);
    const found = Object.fromEntries(rows.filter(([name, value]) => name && value !== null));
    return Object.keys(found).length ? found : null;
  }
  function tool(row) {
    const found = {};
    for (const part of all("[data-part]", row)) {
      if (part.type === "checkbox") { if (part.checked) found[part.dataset.part] = true; }
      else if (part.value.trim()) found[part.dataset.part] = "number" in part.dataset ? Number(part.value) : part.value.trim();
    }
    return found;
  }

  function gather(form) {
    const answers = {};
    for (const q of all("[data-question]", form)) answers[q.dataset.question] = q.hidden ? null : READ[q.dataset.kind](q);
    return answers;
  }

  // A question that follows from another one shows when that one has its answer.
  function follow() {
    for (const q of all("[data-needs]")) {
      const before = one(`[data-question="${q.dataset.needs}"]`);
      if (!before) continue;
      const value = READ[before.dataset.kind](before);
      const shown = value !== null && (!q.dataset.in || [value].flat().some((one) => q.dataset.in.split(" ").includes(one))) && (!q.dataset.above || value > Number(q.dataset.above));
      q.hidden = !shown;
    }
    for (const hint of all("[data-inches]")) {
      const mm = number(document.getElementById(hint.dataset.inches).value);
      hint.textContent = mm ? `= ${(mm / 25.4).toFixed(1)} in` : hint.textContent;
    }
    for (const box of all("select[data-zone]")) {
      const area = one(`.zone[data-zone="${box.dataset.zone}"]`);
      if (area) area.dataset.level = box.selectedOptions[0].dataset.level;
    }
  }

  // Questions passed in this browser: the server reads the cookie when it chooses the next one.
  function skips(names) {
    const cookie = `coatclass_passed_${token().slice(0, 12)}`;
    if (names) document.cookie = `${cookie}=${names.join(".")}; path=/owner; max-age=5184000; samesite=strict`;
    const found = document.cookie.split("; ").find((pair) => pair.startsWith(`${cookie}=`));
    return found ? found.slice(cookie.length + 1).split(".").filter(Boolean) : [];
  }

  async function answerCard(form, passed) {
    const names = form.dataset.questions.split(" ");
    const answers = passed ? {} : gather(form);
    const open = names.filter((name) => answers[name] === undefined || answers[name] === null);
    const skipped = new Set(skips());
    for (const name of names) skipped.delete(name);
    for (const name of open) skipped.add(name);
    complain(form, "");
    busy(form, true);
    try {
      const sent = passed || (await save(answers));
      skips([...skipped]);
      if (sent) show("next", true);
    } catch (error) { complain(form, error.message); }
    finally { busy(form, false); }
  }
  function busy(form, on) { for (const button of all("button", form)) button.setAttribute("aria-disabled", on); }

  // --- photos ---------------------------------------------------------------------------------------------------
  async function upload(files) {
    const words = one("[data-words]");
    const line = (text) => { const p = document.createElement("p"); p.className = "note"; p.textContent = text; words.append(p); return p; };
    words.replaceChildren();
    let kept = 0;
    for (const file of files) {
      const p = line(words.dataset.looking);
      const body = new FormData();
      body.append("photos", await smaller(file), file.name);
      try {
        const [photo] = await untilTaken(() => ask("POST", `/${token()}/photos`, body), () => { p.textContent = `${file.name}: ${word("again")}`; });
        const why = photo.report.reasons.map((reason) => reason.text).join(" ");
        if (photo.id) kept += 1;
        p.textContent = !photo.id ? `${file.name}: ${words.dataset.refused} ${why}` : photo.report.status === "used" ? `${words.dataset.good} ${why}` : `${words.dataset.doubtful} ${why}`;
        p.className = photo.id ? "only-heard" : "note stop"; // a kept photo says it below itself
      } catch (error) {
        p.className = "note care";
        p.textContent = `${file.name}: ${error instanceof Offline ? word("again") : error.message}`;
      }
    }
    if (kept) { const said = words.innerHTML; show("photos"); keepWords = said; }
  }
  let keepWords = "";
  // A photo that the server can't take now is kept here and sent again, for as long as the page stands (an hour at most).
  async function untilTaken(send, waiting, tries = 300) {
    for (let n = 1; ; n += 1) {
      try { return await send(); } catch (error) {
        if (!(error instanceof Offline) || n === tries) throw error;
        waiting();
        await new Promise((go) => setTimeout(go, error.wait || 4000));
      }
    }
  }

  // A phone's photo is far larger than anybody looks at: made smaller here, it saves the owner's data and time.
  async function smaller(file, longest = 2400) {
    if (file.size < 1_500_000 || !/^image\/(jpeg|png|webp)$/.test(file.type)) return file;
    try {
      const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = longest / Math.max(picture.width, picture.height);
      if (scale >= 1) return file;
      const canvas = new OffscreenCanvas(Math.round(picture.width * scale), Math.round(picture.height * scale));
      canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
      return await canvas.convertToBlob({ type: "image/jpeg", quality: 0.9 });
    } catch { return file; } // whatever the browser can't open, the server explains
  }

  // --- measuring ------------------------------------------------------------------------------------------------
  const measuring = window.coatclass.measure({
    root: () => stage, say, complain: (form, text) => complain(form, text),
    reckonAt: (marks) => ask("POST", `/${token()}/length`, marks),
    kept: () => show("next", true),
  });

  // --- what people do ---------------------------------------------------------------------------------------------
  async function begin(form) {
    complain(form, "");
    try {
      const started = await ask("POST", "", { name: one("[name=name]", form).value });
      views.load(`/owner/photos?dog=${started.token}`, { push: true });
    } catch (error) { complain(form, error instanceof Offline ? word("again") : error.message); }
  }

  function onSubmit(event) {
    event.preventDefault();
    const form = event.target;
    if (form.dataset.form === "start") begin(form);
    if (form.dataset.form === "card") answerCard(form, false);
    if (form.dataset.form === "measure") measuring.reckon(form, false);
  }
  function onClick(event) {
    const hit = event.target.closest("[data-pass],[data-back],[data-remove],[data-reload],[data-keep],[data-all-free],[data-copy],[data-erase],.pressable .zone");
    if (!hit) return;
    if (hit.matches("[data-pass]")) answerCard(hit.closest("form"), true);
    else if (hit.matches("[data-back]")) history.back();
    else if (hit.matches("[data-reload]")) location.reload();
    else if (hit.matches("[data-keep]")) measuring.reckon(hit.closest("form"), true);
    else if (hit.matches("[data-remove]")) ask("DELETE", `/${token()}/photos/${hit.dataset.remove}`).then(() => show("photos")).catch((error) => say(error.message));
    else if (hit.matches("[data-copy]")) copy(hit);
    else if (hit.matches("[data-erase]")) eraseAll(hit);
    else if (hit.matches("[data-all-free]")) { for (const box of all("select[data-zone]")) if (!box.value) box.value = "none"; follow(); }
    else if (hit.matches(".zone")) {
      const box = one(`select[data-zone="${hit.dataset.zone}"]`);
      if (box) { box.selectedIndex = (box.selectedIndex + 1) % box.options.length; follow(); box.focus({ preventScroll: true }); }
    }
  }
  async function eraseAll(button) {
    if (!confirm(button.dataset.erase)) return;
    try {
      const { all_gone: gone } = await ask("DELETE", `/${token()}`);
      for (const what of ["pending", "skipped"]) localStorage.removeItem(key(what));
      alert(gone ? button.dataset.gone : button.dataset.rest);
      location.assign("/owner/");
    } catch (error) { say(error.message); }
  }
  async function copy(button) {
    const address = `${location.origin}/owner/?dog=${token()}`;
    try { await navigator.clipboard.writeText(address); say(button.dataset.copied); } catch { say(address); }
  }
  function onChange(event) {
    const field = event.target;
    if (field.matches("[data-photos]")) { if (field.files.length) upload([...field.files]); field.value = ""; return; }
    if (field.matches("[data-card-photo]")) { if (field.files.length) measuring.open(URL.createObjectURL(field.files[0])); return; }
    if (field.matches("[data-mark]")) { measuring.typed(field); return; }
    if (field.matches("[data-none]") && field.checked) for (const box of all(`input[name="${field.name}"]`)) box.checked = box === field;
    else if (field.type === "checkbox" && field.checked) { const none = one(`input[name="${field.name}"][data-none]`); if (none) none.checked = false; }
    follow();
  }
  function onDrop(event) {
    const drop = event.target.closest?.("[data-drop]");
    if (!drop) return;
    event.preventDefault();
    drop.classList.toggle("over", event.type === "dragover");
    if (event.type === "drop" && event.dataTransfer.files.length) upload([...event.dataTransfer.files]);
  }

  stage.addEventListener("submit", onSubmit);
  stage.addEventListener("click", onClick);
  stage.addEventListener("change", onChange);
  stage.addEventListener("input", follow);
  for (const kind of ["dragover", "dragleave", "drop"]) stage.addEventListener(kind, onDrop);
  views.start();
})();
