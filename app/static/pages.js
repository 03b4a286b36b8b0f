// Views at ordinary addresses: the page that a link leads to is fetched and put in place of the one shown, so that
// nothing goes blank while there is no connection. Without this script the links lead there by themselves.
"use strict";
(() => {
  const SLOW_MS = 12000, AGAIN_MS = 4000;
  /* side: where the addresses begin; arrived(): a view is shown; late(): it doesn't come and is asked for again;
     leave(): keeps what is on screen, and tells whether one may go. */
  function pages({ side, arrived, late, leave = async () => true }) {
    const stage = document.getElementById("stage");
    const here = () => location.pathname + location.search;
    let shown = here();
    let wanted = null; // the address that was asked for, until it is shown

    async function load(address, { push = false, moved = push } = {}) {
      const asked = wanted = { address, push, moved };
      let answer, text;
      try {
        answer = await fetch(address, { headers: { accept: "text/html" }, signal: AbortSignal.timeout(SLOW_MS) });
        text = await answer.text();
      } catch {
        if (wanted !== asked) return;
        late();
        setTimeout(() => { if (wanted === asked) load(address, asked); }, AGAIN_MS);
        return;
      }
      if (wanted !== asked) return;
      const at = new URL(answer.url);
      const page = new DOMParser().parseFromString(text, "text/html");
      const view = page.getElementById("stage");
      if (!view || !at.pathname.startsWith(side)) { location.assign(at); return; }
      wanted = null;
      shown = at.pathname + at.search;
      if (push && shown !== here()) history.pushState(null, "", shown); else history.replaceState(null, "", shown);
      document.title = page.title;
      stage.replaceChildren(...view.childNodes);
      arrived();
      if (moved) { scrollTo(0, 0); (stage.querySelector("h1") || stage.querySelector("#content"))?.focus({ preventScroll: true }); }
    }

    addEventListener("online", () => { if (wanted) load(wanted.address, wanted); });
    addEventListener("popstate", async () => {
      if (here() === shown) return;
      const address = here();
      if (await leave()) load(address); else history.pushState(null, "", shown);
    });
    stage.addEventListener("click", async (event) => {
      const link = event.target.closest("a[data-go]");
      if (!link || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      if (link.getAttribute("aria-disabled") !== "true" && (await leave())) load(link.href, { push: true });
    });
    // Links from before the views had addresses of their own: /owner/?dog=...#result
    const fragment = decodeURI(location.hash.slice(1));
    const old = fragment && !document.getElementById(fragment);
    if (old) load(`${side}${encodeURI(fragment)}${location.search}`);
    return { stage, load, waiting: () => wanted !== null, start: () => { if (!old) arrived(); } };
  }
  window.coatclass = { ...window.coatclass, pages };
})();
