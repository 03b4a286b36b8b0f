// The pages behind the sign-in: forms and buttons say in their attributes which call of the interface they make.
"use strict";
(() => {
  const views = window.coatclass.pages({ side: "/groomer/", arrived: () => arrived(), late: () => say(word("late")), leave: () => table.leave() });
  const { stage } = views;
  let sayNext = "";
  let undoNext = null; // what takes the last change back; offered until the next view
  const word = (name) => one(".page")?.dataset[name] || ""; // the page brings the words
  const one = (selector, root = stage) => root.querySelector(selector);
  const all = (selector, root = stage) => [...root.querySelectorAll(selector)];

  const measuring = window.coatclass.measure({
    root: () => stage, say: (text) => say(text), complain: (form, text) => complain(form, text),
    reckonAt: (marks) => ask("POST", one("[data-length-at]").dataset.lengthAt, marks),
    kept: () => show(one("[data-length-at]").dataset.then, true),
  });

  const table = window.coatclass.intake({
    stage, ask: (...what) => ask(...what), say: (text) => say(text), complain: (form, text) => complain(form, text),
    show: (step, push) => show(step, push), later: (text) => { sayNext = text; }, refused: (form, error) => refused(form, error),
  });

  // The step, or the view that is shown once more.
  const show = (step, push = false) => views.load(step ? `/groomer/${step}` : location.href, { push });
  function arrived() {
    measuring.ready();
    table.ready();
    window.coatclass.askForPictures(stage);
    for (const { form, n, was, mine } of typed.splice(0)) { const field = named(alike(form, stage))[n]; if (field) enter(field, was, mine); }
    if (sayNext) { say(sayNext); sayNext = ""; }
    const undo = one("[data-undo-now]");
    if (undo && undoNext) { undo.hidden = false; undo.takeBack = undoNext; undoNext = null; }
  }
  const say = (text) => { const place = one("[data-status]"); if (place) place.textContent = text; };

  async function ask(method, path, body) {
    const options = { method, headers: {} };
    if (body instanceof FormData) options.body = body;
    else if (body !== undefined) { options.body = JSON.stringify(body); options.headers["content-type"] = "application/json"; }
    let answer;
    try { answer = await fetch(path, options); } catch { throw new Error(word("offline")); }
    if (answer.status === 204) return null;
    const said = await answer.json().catch(() => ({}));
    if (answer.status === 503) throw new Error(`${said.problem || word("failed")} ${word("unsaved")}`);
    if (!answer.ok) throw Object.assign(new Error(`${said.problem || word("failed")} ${said.next_step || ""}`), { code: said.code });
    return said;
  }

  // --- forms --------------------------------------------------------------------------------------------------------
  const AS = {
    number: (text) => Number(text.replace(",", ".")),
    moment: (text) => new Date(text).toISOString(),
  };
  function gather(form) {
    if ("files" in form.dataset) return new FormData(form);
    // Of what is kept already only that is sent which was changed here, with how it read before; see change_read.
    const seen = form.dataset.seen && JSON.parse(form.dataset.seen);
    const body = seen ? { seen: {} } : form.dataset.read ? { seen: JSON.parse(form.dataset.read) } : {};
    for (const field of all("input[name]:not([name^=place-]),select[name],textarea[name]", form)) {
      if ((field.type === "radio" && !field.checked) || "choice" in field.dataset) continue;
      const value = field.value.trim();
      if (!value && field.required) throw missing(field);
      if (seen && !("always" in field.dataset) && field.value === first(field)) continue;
      if (seen) body.seen[field.name] = seen[field.name];
      if (!value) {
        if ("keepEmpty" in field.dataset || (seen && (field.type === "text" || field.tagName === "TEXTAREA"))) body[field.name] = "";
        else if (seen) body[field.name] = null;
        continue;
      }
      body[field.name] = (AS[field.dataset.as] || String)(value);
      if (field.dataset.as === "number" && !Number.isFinite(body[field.name])) throw missing(field);
    }
    for (const field of all("[data-map]", form)) {
      if (!field.value.trim() || (field.type === "radio" && !field.checked)) continue;
      const key = field.dataset.key || one(`[data-key-for="${field.id}"]`, form).value;
      (body[field.dataset.map] ??= {})[key] = (AS[field.dataset.as] || String)(field.value.trim());
    }
    for (const field of all("[data-list]:checked", form)) (body[field.dataset.list] ??= []).push(field.value);
    if (form.dataset.send.endsWith("/findings") && !body.category) throw missing(one("[name=category]", form));
    return body;
  }
  function missing(field) {
    const title = field.type === "radio" ? one("legend", field.closest("fieldset")) : field.labels?.[0];
    field.setAttribute("aria-invalid", "true");
    field.focus();
    return new Error(`${word("missing")} ${(title?.firstChild?.textContent || field.name).trim()}`);
  }
  function complain(form, text) {
    const place = form && one("[data-error]", form);
    if (!place) return say(text);
    place.textContent = text; place.hidden = !text;
    if (text) place.scrollIntoView({ block: "nearest" });
  }

  // --- what somebody else changes meanwhile, and what is typed in other forms of the page ---------------------------
  const typed = []; // fields of other forms: entered again once the page is shown anew
  const named = (form) => (form ? all("input[name]:not([type=radio],[type=checkbox],[type=file],[name^=place-]),select[name],textarea[name]", form).filter((field) => !field.closest("[data-line]")) : []);
  const first = (field) => (field.tagName === "SELECT" ? ([...field.options].find((one) => one.defaultSelected) || field.options[0])?.value ?? "" : field.defaultValue);
  const shown = (field) => (field.tagName === "SELECT" ? [...field.options].find((one) => one.value === first(field))?.textContent : first(field)) || "–";
  // The same form of a page that was asked for anew.
  function alike(form, page) {
    const same = (one) => one.dataset.send === form.dataset.send && one.dataset.rates === form.dataset.rates;
    return all("form", page).find(same);
  }
  function keepTyped(sent) {
    for (const form of all("form[data-send]")) if (form !== sent) for (const [n, field] of named(form).entries()) if (field.type !== "hidden" && field.value !== first(field)) typed.push({ form, n, was: first(field), mine: field.value });
  }
  /* Put what was entered beside what the page says by now: remarks stand one below the other, of anything else both are shown. */
  function enter(field, was, mine) {
    const theirs = first(field), lines = theirs.split("\n"), text = field.tagName === "TEXTAREA";
    if (mine === was) { field.value = theirs; return; }
    if (theirs === was || theirs === mine) { field.value = mine; return; }
    field.value = text ? [...lines, ...mine.split("\n").filter((line) => line.trim() && !lines.includes(line))].join("\n") : mine;
    const note = Object.assign(document.createElement("p"), { className: "note care", textContent: text ? word("both") : `${word("newer")} ${shown(field)}` });
    note.dataset.meanwhile = "";
    (field.closest("label") || field).after(note);
  }
  function follow(form, fresh) {
    for (const note of all("[data-meanwhile]", form)) note.remove();
    const newer = named(fresh);
    for (const [n, field] of named(form).entries()) {
      const was = first(field), mine = field.value;
      if (field.type === "hidden") { field.value = newer[n].value; continue; }
      if (field.tagName === "SELECT") field.replaceChildren(...[...newer[n].options].map((one) => one.cloneNode(true)));
      else field.defaultValue = newer[n].defaultValue;
      enter(field, was, mine);
    }
    for (const name of ["seen", "read"]) if (fresh.dataset[name]) form.dataset[name] = fresh.dataset[name];
  }
  /* Say why nothing was kept. Where somebody else was faster, what is new is shown first, and only then one may save over it. */
  async function refused(form, error) {
    if (error.code !== "changed_meanwhile") return complain(form, error.message);
    let page;
    try { page = new DOMParser().parseFromString(await (await fetch(location.href, { headers: { accept: "text/html" } })).text(), "text/html"); } catch { return complain(form, error.message); }
    const fresh = form && alike(form, page), newest = one("[data-newest]", fresh || page)?.textContent;
    const said = newest ? `${word("meanwhile")} ${word("newer")} ${newest}` : fresh ? word("meanwhile") : error.message;
    if (fresh) { follow(form, fresh); complain(form, said); } else { sayNext = said; show(""); }
    return undefined;
  }
  function undoing(from, said) {
    if (!from.dataset.undo) return null;
    const [method, path] = from.dataset.undo.replace("{id}", said?.finding?.id || said?.id || "").split(" ");
    return { method, path, body: from.dataset.undoBody && JSON.parse(from.dataset.undoBody) };
  }
  async function undo(button) {
    const { method, path, body } = button.takeBack;
    try {
      await ask(method, path, body);
      sayNext = button.dataset.undone;
      keepTyped(null);
      show("");
    } catch (error) { button.hidden = true; say(error.message); }
  }
  function add(button) {
    const field = document.getElementById(button.dataset.add);
    const before = field.value.trim();
    if (!before.includes(button.textContent)) field.value = before ? `${before} ${button.textContent}` : button.textContent;
    say(button.textContent);
  }
  async function send(from, form) {
    if (from.dataset.sure && !confirm(from.dataset.sure)) return;
    const [method, path] = from.dataset.send.split(" ");
    complain(form, "");
    const buttons = form ? all("button[type=submit]", form) : [from];
    for (const button of buttons) { if (button.getAttribute("aria-disabled") === "true") return; button.setAttribute("aria-disabled", "true"); }
    try {
      const body = form ? gather(form) : from.dataset.body ? JSON.parse(from.dataset.body) : undefined;
      const said = await ask(method, path, body);
      sayNext = [from.dataset.done, said?.told].filter(Boolean).join(" ");
      undoNext = undoing(from, said);
      if (!from.dataset.then) keepTyped(form);
      const to = (from.dataset.then || "").replace("{id}", said?.id || "");
      show(to, Boolean(to));
    } catch (error) { await refused(form, error); }
    finally { for (const button of buttons) button.removeAttribute("aria-disabled"); }
  }

  // --- photos, links, the outline -------------------------------------------------------------------------------------
  async function upload(field) {
    const words = one("[data-words]");
    words.replaceChildren();
    let kept = 0;
    for (const file of [...field.files]) {
      const line = words.appendChild(Object.assign(document.createElement("p"), { className: "note", textContent: words.dataset.looking }));
      const body = new FormData();
      body.append("photos", file, file.name);
      try {
        const [photo] = await ask("POST", field.dataset.photos, body);
        const why = photo.told;
        line.textContent = `${file.name}: ${photo.id ? words.dataset.good : words.dataset.refused} ${why}`;
        if (photo.id) kept += 1; else line.className = "note stop";
      } catch (error) { line.className = "note stop"; line.textContent = `${file.name}: ${error.message}`; }
    }
    field.value = "";
    if (kept) { sayNext = words.textContent; keepTyped(null); show(""); }
  }
  async function checkPhoto(field) {
    const form = field.closest("form"), body = new FormData(), [file] = field.files;
    const zone = one("input[value=stopped]:checked", form)?.dataset.key || "trunk";
    body.append("photos", file, file.name);
    complain(form, "");
    try {
      const [photo] = await ask("POST", `${field.dataset.checkPhoto}?place=left.${zone}`, body);
      one("[name=photo_id]", form).value = photo.id;
      say(field.dataset.good);
    } catch (error) { field.value = ""; complain(form, error.message); }
  }
  async function makeLink(button) {
    try {
      const made = await ask("POST", button.dataset.makeLink);
      const place = one("[data-link]"), field = one("[data-address]");
      place.hidden = false; field.value = location.origin + made.path; field.focus(); field.select();
    } catch (error) { say(error.message); }
  }
  function onSubmit(event) {
    const form = event.target;
    if ("find" in form.dataset) { event.preventDefault(); show(`search?${new URLSearchParams(new FormData(form))}`, true); }
    else if ("lengthAt" in form.dataset) { event.preventDefault(); measuring.reckon(form, false); }
    else if (form.dataset.send) { event.preventDefault(); send(form, form); }
  }
  const ON = {
    "[data-send]": (hit) => send(hit, null),
    "[data-back]": () => history.back(),
    "[data-make-link]": makeLink,
    "[data-undo-now]": undo,
    "[data-add]": add,
    "[data-set]": (hit) => { const field = document.getElementById(hit.dataset.set); field.value = hit.dataset.value; say(`${hit.dataset.value} mm`); },
    "[data-weeks]": (hit) => { const field = one("[name=starts_at]"); const day = new Date(); day.setDate(day.getDate() + 7 * Number(hit.dataset.weeks)); const two = (n) => String(n).padStart(2, "0"); field.value = `${day.getFullYear()}-${two(day.getMonth() + 1)}-${two(day.getDate())}T${field.value.slice(11) || "10:00"}`; },
    "[data-filter]": (hit) => { for (const one of all("[data-filter]")) one.setAttribute("aria-pressed", one === hit); const wanted = hit.dataset.filter; for (const row of all("[data-filtered] > li")) row.hidden = wanted !== "all" && !row.dataset.is.split(" ").includes(wanted); },
    "[data-card-kept]": (hit) => measuring.open(hit.dataset.cardKept),
    "[data-keep]": (hit) => measuring.reckon(hit.closest("form"), true),
    "[data-rest]": (hit) => { for (const group of all(".pass", hit.closest("form"))) if (!one("input:checked", group)) one(`input[value=${hit.dataset.rest}]`, group).checked = true; },
  };
  function onClick(event) {
    for (const [selector, act] of Object.entries(ON)) {
      const hit = event.target.closest(selector);
      if (hit && hit.tagName !== "FORM") return act(hit, event);
    }
  }
  function onChange(event) {
    if (event.target.matches("[data-photos]") && event.target.files.length) upload(event.target);
    if (event.target.matches("[data-check-photo]") && event.target.files.length) return checkPhoto(event.target);
    if (event.target.matches("[data-card-photo]") && event.target.files.length) measuring.open(URL.createObjectURL(event.target.files[0]));
    if (event.target.matches("[data-mark]")) return measuring.typed(event.target);
    event.target.removeAttribute("aria-invalid");
  }

  stage.addEventListener("submit", onSubmit);
  stage.addEventListener("click", onClick);
  stage.addEventListener("change", onChange);
  views.start();
})();
