// What is too small to read or to press, or too wide to see, as the browser has laid the page out.
() => {
  const found = [];
  const wide = document.documentElement.scrollWidth;
  if (wide > innerWidth) found.push(`the page is ${wide} px wide`);
  const size = (element) => parseFloat(getComputedStyle(element).fontSize);
  for (const element of document.querySelectorAll(".page *:not(option, title, desc)")) {
    const says = [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
    if (!says || !element.getClientRects().length || element.closest(".only-heard, svg")) continue;
    if (size(element) < 16) found.push(`${size(element)} px: ${element.textContent.trim().slice(0, 40)}`);
  }
  const pressed = "button, a.button, nav a, select, label.option, summary, input[type=text], input[type=number]";
  for (const control of document.querySelectorAll(`.page :is(${pressed})`)) {
    const high = control.getBoundingClientRect().height;
    if (high && high < 43.5) found.push(`${high} px high: ${control.outerHTML.slice(0, 80)}`);
  }
  return found;
}
