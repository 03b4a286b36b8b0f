// Words that a narrow column breaks without a hyphen, and texts that stand out of their box.
() => {
  const found = new Set(), range = document.createRange();
  const hidden = "svg, .only-heard, .skip-to, option";
  const texts = document.createTreeWalker(document.querySelector(".page"), NodeFilter.SHOW_TEXT);
  for (let node; (node = texts.nextNode()); ) {
    if (!node.parentElement.getClientRects().length || node.parentElement.closest(hidden)) continue;
    for (const word of node.data.matchAll(/[\p{L}\u00AD]{4,}/gu)) {
      const box = (n) => { range.setStart(node, word.index + n); range.setEnd(node, word.index + n + 1); return range.getBoundingClientRect(); };
      let before = box(0);
      for (let n = 1; n < word[0].length; n += 1) {
        const now = box(n);
        if (!now.width) continue;
        if (now.top > before.bottom - 2 && word[0][n - 1] !== "\u00AD") found.add(`${word[0].slice(0, n)} | ${word[0].slice(n)}`);
        before = now;
      }
    }
  }
  const scrolled = ".scroll, .real, .true-size"; // what is wider on purpose
  for (const box of document.querySelectorAll(".page main *")) {
    if (!box.clientWidth || box.closest(`${hidden}, ${scrolled}`) || getComputedStyle(box).display === "inline") continue;
    if (box.scrollWidth > box.clientWidth + 1 && !box.matches("select, input, progress")) found.add(`${box.scrollWidth} px in ${box.clientWidth}: ${box.outerHTML.slice(0, 60)}`);
  }
  return [...found];
}
