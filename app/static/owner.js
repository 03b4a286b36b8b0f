// The owner's page: sends every entry at once, keeps what could not be sent, and shows the next view.
"use strict";
(() => {
  const API = "/api/v1/dogs/by-link";
  const views = window.coatclass.pages({ side: "/owner/", arrived: () => arrived(), leave: () => leave(), late: () => say(word("offline")) });
  const { stage } = views;

  // --- where we are ---------------------------------------------------------------------------------------------
  const token = () => new URLSearchParams(location.search).get("dog") || "";
  const key = (what) => `coatclass.${what}.${token().slice(0, 12)}`;
  const read = (what, otherwise) => { try { return JSON.parse(localStorage.getItem(key(what))) ?? otherwise; } catch { return otherwise; } };
  const write = (what, value) => { try { localStorage.setItem(key(what), JSON.stringify(value)); } catch { /* a private window: nothing is kept */ } };
  const one = (selector, root = stage) => root.querySelector(selector);
  const all = (selector, root = stage) => [...root.querySelectorAll(selector)];

  const show = (step, push = false) => views.load(`/owner/${step}?dog=${token()}`, { push });
  function arrived() {
    follow();
    remember();
    measuring.ready();
    window.coatclass.askForPictures(stage);
    window.coatclass.trueSize(stage);
    const bar = one("#progress");
    if (bar) { const share = Math.max(bar.value / bar.max, read("progress", 0)); write("progress", share); bar.value = share * bar.max; }
    if (keepSaid) { say(keepSaid); keepSaid = ""; }
    if (keepWords) { const words = one("[data-words]"); if (words) words.innerHTML = keepWords; keepWords = ""; }
    const pending = read("pending", null);
    const shows = pending && Object.keys(pending).some((name) => one(`[data-question="${name}"]`));
    if (pending) flush().then((sent) => { if (sent && shows) show(one(".page").dataset.step); }).catch((error) => say(error.message));
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
    const words = `${said.problem || ""} ${said.next_step || ""}`.replace(/^./u, (first) => first.toUpperCase());
    if (!answer.ok) throw WRONG.includes(answer.status) ? new Refused(words) : new Offline(words, answer.headers.get("retry-after"));
    return said;
  }

  const word = (name) => one(".page")?.dataset[name] || "";
  function say(text) { const place = one("[data-status]"); if (place) place.textContent = text; }
  const explain = (error) => say(error instanceof Offline ? word("again") : error.message);
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

  // --- questions ------------------------------------------------------------------------------------------------
  const number = (text) => (text.trim() === "" ? null : Number(text));
  const READ = {
    text: (q) => one("input", q).value.trim() || null,
    names: (q) => { const names = listed(one("input", q).value); return names.length ? names : null; },
    choice: (q) => one("input:checked", q)?.value ?? null,
    yes_no: (q) => { const chosen = one("input:checked", q); return chosen ? chosen.value === "true" : null; },
    number: (q) => measured(one("input", q)),
    choices: (q) => { const chosen = all("input:checked", q); return chosen.length ? chosen.map((box) => box.value).filter(Boolean) : null; },
    zones: (q) => { const found = Object.fromEntries(all("select", q).filter((box) => box.value).map((box) => [box.dataset.zone, box.value])); return Object.keys(found).length ? found : null; },
    shares: (q) => pairs(q, number),
    genotype: (q) => pairs(q, (text) => text.trim() || null),
    tools: (q) => { const tools = [...all("input:checked", q).map((box) => JSON.parse(box.value)), ...listed(one("[data-others]", q).value).map((kind) => ({ kind }))]; return tools.length ? tools : null; },
  };
  function pairs(q, convert) {
    const rows = all("[data-row]", q).map((row) => [one("[data-part=name]", row).value.trim(), convert(one("[data-part=value]", row).value)]);
    const found = Object.fromEntries(rows.filter(([name, value]) => name && value !== null));
    return Object.keys(found).length ? found : null;
  }
  const listed = (text) => text.split(/[,;]/).map((name) => name.trim()).filter(Boolean);

  // A number in the unit that was chosen; what was never typed anew keeps its exact value.
  const unit = (field) => one(`[data-unit-of="${field.id}"]`)?.selectedOptions[0];
  function measured(field) {
    if (field.dataset.exact && field.dataset.shown === field.value) return Number(field.dataset.exact);
    const value = number(field.value);
    return value === null ? null : Number((value * Number(unit(field)?.value || 1)).toFixed(4));
  }
  const inUnit = (value, factor) => String(Number((value / factor).toPrecision(factor === 1 ? 6 : 3)));
  function fill(field, value) {
    field.dataset.exact = value;
    field.value = field.dataset.shown = inUnit(value, Number(unit(field)?.value || 1));
  }
  // A unit that was chosen once is chosen on every screen that measures the same.
  function useUnits() {
    for (const box of all("select[data-unit-of]")) {
      const field = document.getElementById(box.dataset.unitOf), kept = localStorage.getItem(`coatclass.unit.${box.dataset.unit}`);
      const value = field.value === "" ? null : Number(field.value);
      if ([...box.options].some((one) => one.text === kept)) box.selectedIndex = [...box.options].findIndex((one) => one.text === kept);
      if (value !== null) fill(field, value);
    }
  }
  function changeUnit(box) {
    const field = document.getElementById(box.dataset.unitOf);
    // What is known already is shown in the new unit; what was typed just now is meant in it ("3", then "years").
    if (field.dataset.exact && field.dataset.shown === field.value) fill(field, Number(field.dataset.exact));
    try { localStorage.setItem(`coatclass.unit.${box.dataset.unit}`, box.selectedOptions[0].text); } catch { /* a private window */ }
  }

  // --- what is on screen ------------------------------------------------------------------------------------------
  // Only what was changed on this screen is sent, so that a page left open elsewhere takes nothing back.
  const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);
  let shownAnswers = {}, firstShown = {};
  function remember() {
    useUnits();
    follow();
    const form = one("[data-form=card]");
    firstShown = shownAnswers = form ? gather(form) : {};
  }
  function keepScreen() {
    const form = one("[data-form=card]");
    if (!form) return;
    const changed = Object.entries(gather(form)).filter(([name, value]) => !same(value, shownAnswers[name]));
    if (!changed.length) return;
    write("pending", { ...read("pending", {}), ...Object.fromEntries(changed) });
    shownAnswers = { ...shownAnswers, ...Object.fromEntries(changed) };
    const skipped = new Set(skips());
    for (const [name, value] of changed) if (value !== null) skipped.delete(name);
    skips([...skipped]);
  }
  // Whatever is pressed: first what is on screen is kept; what can't be is said, and one stays.
  async function leave() {
    const form = one("[data-form=card]") || stage;
    keepScreen();
    if (form !== stage) complain(form, "");
    try { await flush(); return true; } catch (error) { shownAnswers = firstShown; complain(form, error.message); return false; }
  }
  // Questions passed in this browser: the server reads the cookie when it chooses the next one.
  function skips(names) {
    const cookie = `coatclass_passed_${token().slice(0, 12)}`;
    if (names) document.cookie = `${cookie}=${names.join(".")}; path=/owner; max-age=5184000; samesite=strict`;
    const found = document.cookie.split("; ").find((pair) => pair.startsWith(`${cookie}=`));
    return found ? found.slice(cookie.length + 1).split(".").filter(Boolean) : [];
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
    for (const box of all("select[data-zone]")) {
      const area = one(`.zone[data-zone="${box.dataset.zone}"]`);
      if (area) area.dataset.level = box.selectedOptions[0].dataset.level;
    }
  }

  async function answerCard(form) {
    const names = form.dataset.questions.split(" ");
    keepScreen();
    const answers = gather(form);
    const open = names.filter((name) => answers[name] === undefined || answers[name] === null);
    const skipped = new Set(skips());
    for (const name of names) skipped.delete(name);
    for (const name of open) skipped.add(name);
    complain(form, "");
    busy(form, true);
    try {
      const sent = await flush();
      skips([...skipped]);
      if (sent) show("next", true);
    } catch (error) { shownAnswers = firstShown; complain(form, error.message); }
    finally { busy(form, false); }
  }
  function busy(form, on) { for (const button of all("button", form)) button.setAttribute("aria-disabled", on); }

  // --- photos ---------------------------------------------------------------------------------------------------
  async function upload(files) {
    const words = one("[data-words]");
    const line = (text) => { const p = document.createElement("p"); p.className = "note"; p.textContent = text; words.append(p); return p; };
    words.replaceChildren();
    let kept = 0;
    const on = one(".actions [data-go=next]"), onSaid = on?.textContent;
    const waiting = (yes) => { if (!on) return; on.setAttribute("aria-disabled", yes); on.textContent = yes ? words.dataset.looking : onSaid; };
    waiting(true);
    for (const file of files) {
      const p = line(words.dataset.looking);
      const body = new FormData();
      body.append("photos", await smaller(file), file.name);
      try {
        const [photo] = await untilTaken(() => ask("POST", `/${token()}/photos`, body), () => { waiting(false); p.textContent = `${file.name}: ${word("again")}`; });
        const why = photo.told;
        if (photo.id) kept += 1;
        p.textContent = !photo.id ? `${file.name}: ${words.dataset.refused} ${why}` : `${words.dataset[{ used: "good", doubtful: "doubtful" }[photo.report.status] || "notCounted"]} ${why}`;
        p.className = photo.id ? "only-heard" : "note stop"; // a kept photo says it below itself
      } catch (error) {
        p.className = "note care";
        p.textContent = `${file.name}: ${error instanceof Offline ? word("again") : error.message}`;
      }
    }
    waiting(false);
    if (kept && words.isConnected) { const said = words.innerHTML; show("photos"); keepWords = said; }
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
    reckonAt: (marks) => ask("POST", `/${token()}/length`, marks).catch((error) => { throw error instanceof Offline ? new Error(word("again")) : error; }),
    kept: () => show("next", true),
  });

  // A tool at home: its kind by a drawing, its measures by marks; the photo stays here.
  async function judgeTool(form, keep) {
    complain(form, "");
    const kind = one("[name=kind]:checked", form), { open, ...marks } = measuring.pairs();
    if (!kind) return complain(form, form.dataset.choose);
    if (open.length) return complain(form, form.dataset.unplaced.replace("{marks}", open.join(", ")));
    const ruler = one("[name=beside]:checked", form).value === "ruler" ? number(one("[name=ruler_mm]", form).value) : null;
    const body = { kind: kind.value, pin_tip: kind.dataset.tip || null, stiffness: one("[name=stiffness]:checked", form).value || null, ruler_mm: ruler, keep, ...marks };
    try {
      const found = await ask("POST", `/${token()}/tool`, body);
      const lines = found.says.map((text, n) => { const p = document.createElement("p"); p.textContent = text; if (!n) p.className = "headline"; return p; });
      one("[data-said]", form).replaceChildren(...lines);
      one("[data-keep]", form).hidden = found.kept;
    } catch (error) { complain(form, error instanceof Offline ? word("again") : error.message); }
  }

  // --- what people do ---------------------------------------------------------------------------------------------
  async function begin(form) {
    complain(form, "");
    try {
      const started = await ask("POST", "", { name: one("[name=name]", form).value, meant_for: one("[name=meant_for]:checked", form)?.value || "self" });
      views.load(`/owner/photos?dog=${started.token}`, { push: true });
    } catch (error) { complain(form, error instanceof Offline ? word("again") : error.message); }
  }

  function onSubmit(event) {
    event.preventDefault();
    const form = event.target;
    if (form.dataset.form === "start") begin(form);
    if (form.dataset.form === "card") answerCard(form);
    if (form.dataset.form === "measure") measuring.reckon(form, false);
    if (form.dataset.form === "tool") judgeTool(form, false);
    if (form.dataset.form === "request") sendOn(form);
    if (form.dataset.form === "take-back") takeBack(form);
    if (form.dataset.form === "remove") ask("DELETE", `/${token()}/photos/${form.dataset.photo}`).then(() => show("photos")).catch(explain);
    if (form.dataset.form === "erase") eraseAll();
  }
  function onClick(event) {
    const hit = event.target.closest("[data-pass],[data-back],[data-reload],[data-keep],[data-all-free],[data-copy],[data-print],[data-share],.pressable .zone");
    if (!hit || hit.getAttribute("aria-disabled") === "true") return;
    if (hit.matches("[data-pass]")) answerCard(hit.closest("form"));
    else if (hit.matches("[data-back]")) history.back();
    else if (hit.matches("[data-reload]")) location.reload();
    else if (hit.matches("[data-form=tool] [data-keep]")) judgeTool(hit.closest("form"), true);
    else if (hit.matches("[data-keep]")) measuring.reckon(hit.closest("form"), true);
    else if (hit.matches("[data-copy]")) copy(hit);
    else if (hit.matches("[data-print]")) print();
    else if (hit.matches("[data-share]")) share(hit);
    else if (hit.matches("[data-all-free]")) { for (const box of all("select[data-zone]")) if (!box.value) box.value = "none"; follow(); }
    else if (hit.matches(".zone")) {
      const box = one(`select[data-zone="${hit.dataset.zone}"]`);
      if (box) { box.selectedIndex = (box.selectedIndex + 1) % box.options.length; follow(); box.focus({ preventScroll: true }); }
    }
  }
  // To the groomer, with a name and a way to reach; and back.
  async function sendOn(form) {
    complain(form, "");
    const sender = { name: one("[name=sender]", form).value, reach: one("[name=reach]", form).value };
    try { await ask("POST", `/${token()}/request`, sender); keepSaid = form.dataset.sent; show("result"); } catch (error) { complain(form, error instanceof Offline ? word("again") : error.message); }
  }
  async function takeBack(form) {
    try { await ask("DELETE", `/${token()}/request`); keepSaid = form.dataset.done; show("result"); } catch (error) { explain(error); }
  }
  let keepSaid = "";
  async function share(button) {
    const address = `${location.origin}/owner/?dog=${token()}`;
    if (!navigator.share) return copy(button);
    try { await navigator.share({ title: document.title, url: address }); } catch { /* nothing was shared */ }
  }
  async function eraseAll() {
    try {
      const { all_gone: gone } = await ask("DELETE", `/${token()}`);
      for (const what of ["pending", "progress"]) localStorage.removeItem(key(what));
      location.assign(`/owner/deleted${gone ? "" : "/rest"}`);
    } catch (error) { explain(error); }
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
    if (field.matches("[data-labels]")) { measuring.relabel(); return; }
    if (field.matches("[data-none]") && field.checked) for (const box of all(`input[name="${field.name}"]`)) box.checked = box === field;
    else if (field.type === "checkbox" && field.checked) { const none = one(`input[name="${field.name}"][data-none]`); if (none) none.checked = false; }
    if (field.matches("[data-unit-of]")) changeUnit(field);
    follow();
    keepScreen(); // also over a refresh; it is sent with the next step
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
  stage.addEventListener("input", (event) => { if (event.target.matches("[data-card-size]")) window.coatclass.trueSize(stage, true); });
  for (const kind of ["dragover", "dragleave", "drop"]) stage.addEventListener(kind, onDrop);
  addEventListener("pagehide", keepScreen);
  // What was entered before a reload and never sent goes first; then the view shows it.
  async function catchUp() {
    stage.hidden = true;
    try { if (await flush()) await views.load(location.href); } catch (error) { say(error.message); }
    stage.hidden = false;
  }
  if (read("pending", null)) catchUp();
  views.start();
})();
