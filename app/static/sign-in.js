// The sign-in form: errors are announced, nothing is kept in the browser but the cookie that no script can read.
"use strict";
(() => {
  const form = document.querySelector("[data-sign-in]");
  const place = form.querySelector("[data-error]");
  const complain = (text) => {
    place.textContent = "";
    place.className = text ? "note stop" : "";
    requestAnimationFrame(() => { place.textContent = text; });
    for (const name of ["name", "password"]) form.elements[name].setAttribute("aria-invalid", Boolean(text));
  };
  form.querySelector("[data-show]").addEventListener("change", (event) => { form.elements.password.type = event.target.checked ? "text" : "password"; });
  form.setAttribute("novalidate", "");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!form.elements.name.value || !form.elements.password.value) { complain(place.dataset.empty); (form.elements.name.value ? form.elements.password : form.elements.name).focus(); return; }
    const button = form.querySelector("[type=submit]");
    button.setAttribute("aria-disabled", "true");
    try {
      const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)) });
      const said = await answer.json().catch(() => ({}));
      if (answer.ok) { location.assign(JSON.parse(form.dataset.homes)[said.role] || "/"); return; }
      complain(`${said.problem || ""} ${said.next_step || ""}`.trim());
      form.elements.password.select();
    } catch { complain(place.dataset.offline); }
    button.removeAttribute("aria-disabled");
  });
  form.elements.name.focus();
})();
