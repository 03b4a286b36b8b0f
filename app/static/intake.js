// The dog on the table: places that are tapped or walked with the keys, a look that saves itself, a signature, rates.
"use strict";
(() => {
  const one = (selector, root) => root.querySelector(selector);
  const all = (selector, root) => [...root.querySelectorAll(selector)];
  const NEAR_PX = 12, MOST_POINTS = 390;

  /* ask(method, path, body), say(text), complain(form, text), show(step, push), later(text): what the page does itself. */
  function intake({ stage, ask, say, complain, show, later, refused }) {
    let saving = null, saves = 0, timer = null, last = null, strokes = [], drawing = null;

    // --- places ---------------------------------------------------------------------------------------------------
    const box = () => one("[data-places]", stage);
    const known = () => JSON.parse(box().dataset.places);
    const here = () => { const at = box(); return `${one("[data-view-choice]", at).value}.${one("[data-zone-choice]", at).selectedOptions[0].value}`; };
    const areaOf = (place) => { const [view, zone] = place.split("."); return one(`svg[data-view="${view}"] .zone[data-zone="${zone}"]`, box()); };
    function nameOf(place) {
      const [view, zone] = place.split("."), at = box();
      const zoneWords = one(`[data-zone-choice] option[value="${zone}"]`, at).textContent;
      if (one("[data-view-choice]", at).options.length < 2) return zoneWords;
      return at.dataset.at.replace("{zone}", zoneWords).replace("{view}", one(`[data-view-choice] option[value="${view}"]`, at).textContent);
    }
    function wordsOf(found) {
      const at = box(), said = [];
      const radio = found.mats && one(`[name=place-mats][value="${found.mats}"]`, at);
      if (radio) said.push(radio.nextElementSibling.lastChild.textContent.trim());
      for (const sign of found.signs || []) said.push(one(`[name=place-sign][value="${sign}"]`, at).nextElementSibling.textContent);
      return said.join(", ");
    }
    function choose(place, { focus = false } = {}) {
      const at = box(), [view, zone] = place.split(".");
      one("[data-view-choice]", at).value = view;
      for (const option of all("[data-zone-choice] option", at)) { option.hidden = option.disabled = option.dataset.in !== view; option.selected = option.dataset.in === view && option.value === zone; }
      const found = known()[place] || {};
      one(`[name=place-mats][value="${found.mats || ""}"]`, at).checked = true;
      for (const tick of all("[name=place-sign]", at)) tick.checked = (found.signs || []).includes(tick.value);
      const name = nameOf(place);
      one("[data-place-name]", at).textContent = name[0].toUpperCase() + name.slice(1);
      for (const area of all(".zone", at)) area.classList.toggle("chosen", area === areaOf(place));
      one("[data-panel]", at).classList.add("open");
      if (focus) { const panel = one("[data-panel]", at); one("[name=place-mats]:checked", panel).focus({ preventScroll: true }); panel.scrollIntoView({ block: "nearest" }); }
    }
    /* On a phone the panel lies over the lower half: the side that was tapped moves above it. */
    function besidePanel(svg) { if (getComputedStyle(one("[data-panel]", box())).position === "fixed") svg.scrollIntoView({ block: "start" }); }
    const close = () => { one("[data-panel]", box()).classList.remove("open"); focusOn(areaOf(here())); };
    function keep(place, found) {
      const at = box(), places = known();
      if (found.mats || found.signs?.length) places[place] = found; else delete places[place];
      at.dataset.places = JSON.stringify(places);
      if (found.mats || found.signs?.length) last = found;
      paint();
      changed();
    }
    const entered = () => { const at = box(); return { mats: one("[name=place-mats]:checked", at)?.value || null, signs: all("[name=place-sign]:checked", at).map((tick) => tick.value) }; };
    function paint() {
      const at = box();
      if (!at) return;
      const places = known(), list = one("[data-named]", at), rows = [];
      for (const area of all(".zone", at)) {
        const place = `${area.closest("svg").dataset.view}.${area.dataset.zone}`, found = places[place] || {};
        const level = found.mats ? one(`[name=place-mats][value="${found.mats}"]`, at).dataset.level : "";
        area.dataset.level = level;
        area.classList.toggle("signed", Boolean(found.signs?.length));
        one(".mark", area).textContent = found.signs?.length ? "!" : "";
        const words = wordsOf(found), name = nameOf(place);
        area.setAttribute("aria-label", words ? `${name}: ${words}` : name);
        if (found.mats && found.mats !== "none" || found.signs?.length) rows.push([place, name, words]);
        const field = one(`input[data-key="${area.dataset.zone}"]`, stage);
        if (field) field.value = found.mats || "";
      }
      list.replaceChildren(...(rows.length ? rows.map(([place, name, words]) => {
        const row = document.createElement("li"), button = document.createElement("button");
        button.type = "button"; button.className = "plain"; button.dataset.openPlace = place;
        button.textContent = `${name[0].toUpperCase()}${name.slice(1)}: ${words}`;
        row.append(button);
        return row;
      }) : [Object.assign(document.createElement("li"), { className: "quiet", textContent: at.dataset.free })]));
    }
    function nearest(event) {
      const hit = event.target.closest(".zone");
      const large = !hit || hit.getBoundingClientRect().width > 60;
      if (large) for (const [dx, dy] of [[-1, 0], [1, 0], [0, -1], [0, 1]]) {
        const beside = document.elementFromPoint(event.clientX + dx * NEAR_PX, event.clientY + dy * NEAR_PX)?.closest?.(".zone");
        if (beside && beside !== hit && beside.getBoundingClientRect().width < 24) return beside;
      }
      return hit;
    }
    function walk(area, key) {
      const svg = area.closest("svg"), from = middle(area);
      const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      const [sx, sy] = steps[key];
      let best = null, least = Infinity;
      for (const other of all(".zone", svg)) {
        if (other === area) continue;
        const to = middle(other), along = (to.x - from.x) * sx + (to.y - from.y) * sy;
        const aside = Math.abs((to.x - from.x) * sy) + Math.abs((to.y - from.y) * sx);
        if (along > 1 && along + 2 * aside < least) { least = along + 2 * aside; best = other; }
      }
      if (best) focusOn(best);
    }
    const middle = (area) => { const at = area.getBoundingClientRect(); return { x: at.x + at.width / 2, y: at.y + at.height / 2 }; };
    function focusOn(area) {
      for (const other of all(".zone", area.closest("svg"))) other.setAttribute("tabindex", other === area ? "0" : "-1");
      area.focus();
    }

    // --- the look saves itself ------------------------------------------------------------------------------------
    const form = () => one("form[data-intake]", stage);
    function changed() {
      if (!form()) return;
      one("[data-saved-word]", stage).textContent = form().dataset.saving;
      clearTimeout(timer);
      timer = setTimeout(save, 300);
    }
    function look() {
      const at = form(), value = (name) => one(`[name=${name}]:checked`, at)?.value || null;
      return {
        language: one("[name=language]", at).value,
        seen: at.dataset.seen,
        found: {
          places: known(), ears: value("ears"), nails: value("nails"), patience: value("patience"),
          health: all("[name=health]:checked", at).map((tick) => tick.value),
          looked_over: one("[name=looked_over]", at).checked, remarks: one("[name=remarks]", at).value.trim(),
        },
      };
    }
    function save() {
      clearTimeout(timer); timer = null;
      const at = form(), turn = (saves += 1);
      saving = (saving || Promise.resolve()).then(async () => {
        try {
          at.dataset.seen = (await ask("PUT", at.dataset.intake, look())).seen;
          complain(at, "");
          if (!timer && turn === saves) one("[data-saved-word]", at).textContent = at.dataset.saved;
          return true;
        } catch (error) { complain(at, error.message); one("[data-saved-word]", at).textContent = ""; return false; }
      });
      return saving;
    }
    /* Whether one may leave: what is on screen is kept before. */
    const leave = async () => { if (form() && timer) return save(); return saving ? saving.then((kept) => kept !== false) : true; };

    async function photo(field) {
      const body = new FormData();
      for (const file of field.files) body.append("photos", file, file.name);
      try {
        await ask("POST", `${field.dataset.placePhoto}?place=${here()}`, body);
        if (await leave()) { later(field.dataset.done); show(""); }
      } catch (error) { complain(form(), error.message); }
      field.value = "";
    }

    // --- the signature --------------------------------------------------------------------------------------------
    function pointOf(event, svg) {
      const at = svg.getBoundingClientRect();
      const within = (value, most) => Math.round(Math.min(most, Math.max(0, value)));
      return [within((event.clientX - at.x) / at.width * 1000, 1000), within((event.clientY - at.y) / at.height * 420, 420)];
    }
    function draw(event, svg) {
      if (event.type === "pointerdown") { svg.setPointerCapture(event.pointerId); drawing = [pointOf(event, svg)]; strokes.push(drawing); }
      else if (drawing && drawing.length < MOST_POINTS) {
        const point = pointOf(event, svg), before = drawing[drawing.length - 1];
        if (Math.hypot(point[0] - before[0], point[1] - before[1]) >= 4) drawing.push(point);
      }
      event.preventDefault();
      ink(svg);
    }
    function ink(svg) {
      for (const path of all(".ink", svg)) path.remove();
      for (const stroke of strokes) {
        const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
        path.setAttribute("class", "ink");
        path.setAttribute("d", `M${stroke.map((point) => point.join(" ")).join("L")}`);
        svg.append(path);
      }
    }
    async function sign(at) {
      const value = (name) => one(`[name=${name}]:checked`, at)?.value;
      const how = value("how"), drawn = strokes.filter((stroke) => stroke.length > 1);
      const name = one("[name=name]", at).value.trim();
      const lacking = !value("chosen") ? "missingChoice" : !name ? "missingName" : how === "screen" && !drawn.length ? "missingDrawing" : how === "paper" && !one("[name=on_paper]", at).checked ? "missingTick" : "";
      if (lacking) return complain(at, at.dataset[lacking]);
      complain(at, "");
      const button = one("[type=submit]", at);
      if (button.getAttribute("aria-disabled") === "true") return undefined;
      button.setAttribute("aria-disabled", "true");
      try {
        const kept = await ask("POST", at.dataset.sign, { chosen: value("chosen"), how, name, strokes: how === "screen" ? drawn.slice(0, 60) : [], seen: at.dataset.seen, told: at.dataset.told });
        later(at.dataset.done);
        show(at.dataset.then + kept.id, true);
      } catch (error) { complain(at, error.message); }
      finally { button.removeAttribute("aria-disabled"); }
      return undefined;
    }

    // --- rates ----------------------------------------------------------------------------------------------------
    async function rates(at) {
      const number = (name, root) => { const text = one(`[name=${name}]`, root).value.trim(); return text ? Number(text.replace(",", ".")) : null; };
      const text = (name) => one(`[name=${name}]`, at).value.trim();
      const table = all("[data-line]", at).map((row) => ({ up_to_kg: number("up_to_kg", row), minutes: number("minutes", row) ?? 0, price: number("price", row) })).filter((row) => row.up_to_kg !== null && row.price !== null);
      try {
        await ask("PUT", at.dataset.rates, { seen: JSON.parse(at.dataset.read), before: text("before"), after: text("after"), per_hour: number("per_hour", at), de_matting_per_hour: number("de_matting_per_hour", at), least: number("least", at) ?? 0, step: number("step", at) || 1, table });
        later(at.dataset.done);
        show("");
      } catch (error) { refused(at, error); }
    }

    // --- what comes from the page -----------------------------------------------------------------------------------
    stage.addEventListener("click", (event) => {
      const svg = event.target.closest("[data-places] svg.pressable");
      if (svg) { const area = nearest(event); if (area) { focusOn(area); choose(`${svg.dataset.view}.${area.dataset.zone}`); besidePanel(svg); } return; }
      const open = event.target.closest("[data-open-place]");
      if (open) return choose(open.dataset.openPlace, { focus: true });
      if (event.target.closest("[data-same-again]") && last) { keep(here(), last); choose(here()); }
      if (event.target.closest("[data-nothing-here]")) { keep(here(), { mats: "none", signs: [] }); choose(here()); }
      if (event.target.closest("[data-panel-done]")) close();
      if (event.target.closest("[data-rest-free]")) { const places = known(); for (const area of all(".zone", box())) { const place = `${area.closest("svg").dataset.view}.${area.dataset.zone}`; places[place] ??= { mats: "none", signs: [] }; } box().dataset.places = JSON.stringify(places); paint(); }
      if (event.target.closest("[data-wipe]")) { strokes = []; ink(one("[data-signature]", stage)); }
    });
    stage.addEventListener("keydown", (event) => {
      const area = event.target.closest?.("[data-places] .zone");
      if (area && event.key.startsWith("Arrow")) { event.preventDefault(); walk(area, event.key); }
      else if (area && (event.key === "Enter" || event.key === " ")) { event.preventDefault(); choose(`${area.closest("svg").dataset.view}.${area.dataset.zone}`, { focus: true }); }
      else if (event.key === "Escape" && event.target.closest?.("[data-panel]")) close();
    });
    stage.addEventListener("change", (event) => {
      const field = event.target;
      if (field.matches("[data-view-choice]")) { const zone = one("[data-zone-choice]", box()).value, option = one(`[data-zone-choice] option[data-in="${field.value}"][value="${zone}"]`, box()) || one(`[data-zone-choice] option[data-in="${field.value}"]`, box()); choose(`${field.value}.${option.value}`); }
      else if (field.matches("[data-zone-choice]")) choose(here());
      else if (field.matches("[name=place-mats],[name=place-sign]")) keep(here(), entered());
      else if (field.matches("[data-place-photo]")) { if (field.files.length) photo(field); }
      else if (field.matches("[name=how]")) { for (const part of all("[data-by]", stage)) part.hidden = part.dataset.by !== field.value; }
      else if (field.closest("form[data-intake]")) changed();
    });
    stage.addEventListener("input", (event) => { if (event.target.matches("form[data-intake] textarea")) changed(); });
    for (const kind of ["pointerdown", "pointermove"]) stage.addEventListener(kind, (event) => { const svg = event.target.closest?.("[data-signature]"); if (svg && (kind === "pointerdown" || drawing)) draw(event, svg); });
    for (const kind of ["pointerup", "pointercancel"]) stage.addEventListener(kind, () => { drawing = null; });
    stage.addEventListener("submit", (event) => {
      const at = event.target;
      if ("intake" in at.dataset) { event.preventDefault(); save(); }
      if ("sign" in at.dataset) { event.preventDefault(); sign(at); }
      if ("rates" in at.dataset) { event.preventDefault(); rates(at); }
    });
    // The browser sends it though the page has gone.
    addEventListener("pagehide", () => { if (form() && timer) fetch(form().dataset.intake, { method: "PUT", keepalive: true, headers: { "content-type": "application/json" }, body: JSON.stringify(look()) }); });
    return { leave, ready: () => { strokes = []; drawing = last = null; saving = null; clearTimeout(timer); timer = null; if (box()) { paint(); const first = Object.keys(known())[0]; const svg = one("svg.pressable", box()); choose(first || `${svg.dataset.view}.${one(".zone", svg).dataset.zone}`); one("[data-panel]", box()).classList.remove("open"); } } };
  }
  window.coatclass = { ...window.coatclass, intake };
})();
